"""
An independent Modbus server: Debian's libmodbus through ctypes.

``libmodbus_server.py tcp PORT`` or ``libmodbus_server.py rtu DEVICE UNIT``; holding
registers 0..9 hold 12.8 and -7.25 as floats, high word first, then the same low word
first, then 1280 and -725.
"""

import ctypes as c
import struct
import sys


class Mapping(c.Structure):
    """modbus_mapping_t of libmodbus 3.1, modbus.h."""

    _fields_ = [
        *((n, c.c_int) for n in ("nb", "ob", "ni", "oi", "nin", "oin", "nr", "orr")),
        ("bits", c.c_void_p),
        ("input_bits", c.c_void_p),
        ("input_registers", c.POINTER(c.c_uint16)),
        ("registers", c.POINTER(c.c_uint16)),
    ]


def words() -> list[int]:
    """What the registers hold."""
    floats = struct.unpack(">4H", struct.pack(">2f", 12.8, -7.25))
    low_first = [floats[k] for k in (1, 0, 3, 2)]
    return [*floats, *low_first, 1280, -725 & 0xFFFF]


def main(argv: list[str]) -> None:
    """Serve until killed."""
    library = c.CDLL("libmodbus.so.5")
    for name in ("modbus_new_tcp", "modbus_new_rtu", "modbus_mapping_new"):
        getattr(library, name).restype = c.c_void_p
    if argv[0] == "tcp":
        context = c.c_void_p(library.modbus_new_tcp(b"127.0.0.1", int(argv[1])))
    else:
        parity = c.c_char(b"N")
        context = c.c_void_p(
            library.modbus_new_rtu(argv[1].encode(), 19200, parity, 8, 1)
        )
        library.modbus_set_slave(context, int(argv[2]))
    held = library.modbus_mapping_new(0, 0, 100, 100)
    mapping = c.cast(held, c.POINTER(Mapping)).contents
    for n, word in enumerate(words()):
        mapping.registers[n] = word
    listening = c.c_int(-1)
    if argv[0] == "tcp":
        listening = c.c_int(library.modbus_tcp_listen(context, 1))
    elif library.modbus_connect(context) != 0:
        sys.exit("the line does not open")
    print("ready", flush=True)
    while True:
        if argv[0] == "tcp":
            library.modbus_tcp_accept(context, c.byref(listening))
        _serve(library, context, held)
        if argv[0] == "rtu":
            continue
        library.modbus_close(context)


def _serve(library: c.CDLL, context: c.c_void_p, held: int) -> None:
    request = (c.c_uint8 * 260)()
    while (length := library.modbus_receive(context, request)) != -1:
        if length > 0:
            library.modbus_reply(context, request, length, c.c_void_p(held))


if __name__ == "__main__":
    main(sys.argv[1:])
