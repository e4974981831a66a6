"""The serving process itself: started by ``campledger page`` in its own place."""

from __future__ import annotations

import asyncio
import json
import logging
import signal
import sys
from pathlib import Path

from campledger.app.page.gate import House
from campledger.app.page.server import keep_going, make_server
from campledger.app.page.worker import Worker


async def main(told: dict[str, str]) -> None:
    """Serve until told to stop."""
    folder = Path(told["folder"])
    files = ("--rig", told["rig"], "--store", told["store"])
    house = House(
        folder=folder,
        name=told["name"],
        hosts=frozenset(told["hosts"].split()),
        worker=Worker(folder=folder, files=files, at=told.get("at", "")),
        network=told["network"],
    )
    server = make_server(house)
    server.listen(int(told["port"]), address=told["address"], reuse_port=False)
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, stop.set)
    try:
        await keep_going(house, told, stop)
    finally:
        server.stop()
        await house.worker.close()
        await server.close_all_connections()


if __name__ == "__main__":
    logging.basicConfig(
        level=logging.INFO, stream=sys.stderr, format="campledger page: %(message)s"
    )
    logging.getLogger("tornado").setLevel(logging.ERROR)
    asyncio.run(main(json.loads(sys.argv[1])))
