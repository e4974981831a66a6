"""A bounded, general HTTP fuzzer on loopback, and phones that only read."""

from __future__ import annotations

import collections
import json
import random
import socket
import string
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

PATHS = ("/", "/fresh", "/again", "/try", "/write", "/pair", "/forget", "/page.css")
ODD = (
    "/../../etc/passwd",
    "/%2e%2e/%2e%2e/pairing.json",
    "/pairing.json",
    "/facts.json",
    "/scribe.sock",
    "/tried/../pairing.json",
    "/page.css/../../../pairing.json",
    "//evil.example/",
    "http://evil.example/",
    "*",
    "/%00",
    "/\r\nX-Injected: 1",
    "/page.js%0d%0aX: y",
    "/?passenger=" + "9" * 3000,
)
HEADERS = (
    "Content-Length",
    "Transfer-Encoding",
    "Host",
    "Origin",
    "Cookie",
    "Content-Type",
    "X-Page-Write",
    "Expect",
    "Range",
    "Upgrade",
    "Connection",
    "Accept-Encoding",
    "X-Forwarded-For",
    "Content-Encoding",
    "Sec-Fetch-Site",
)
VALUES = (
    "-1",
    "0",
    "1e9",
    "99999999999999999999",
    "chunked",
    "chunked, gzip",
    "identity",
    "100-continue",
    "null",
    "application/json",
    "same-origin",
    "bytes=0-9999999",
    "websocket",
    'page_phone="',
    "page_phone=; page_phone=x; =;;",
    "\u00ff\u00fe",
    "a" * 5000,
    "1\r\n X: y",
)


def _word(r):
    kind = r.randrange(5)
    if kind == 0:
        return "".join(r.choices(string.printable, k=r.randrange(40)))
    if kind == 1:
        return "".join(chr(r.randrange(1, 256)) for _ in range(r.randrange(60)))
    if kind == 2:
        return r.choice(VALUES)
    if kind == 3:
        return "%" + "".join(r.choices("0123456789abcdefXY%", k=r.randrange(8)))
    return str(r.choice((0, -1, 2**63, 1e308, "nan", "+48h", "worst", "fridge")))


def _json(r, depth=0):
    kind = r.randrange(7 if depth < 3 else 4)
    if kind < 2:
        return _word(r)
    if kind == 2:
        return r.choice((None, True, 1e999, -(2**70), 0.1))
    if kind == 3:
        return r.choice(("note", "time", "proof", "pair", "write", "=1+1", "<script>"))
    if kind == 4:
        return [_json(r, depth + 1) for _ in range(r.randrange(4))]
    names = ("kind", "text", "token", "do", "code", "now_ms", "sure", "step", "channel")
    return {r.choice(names): _json(r, depth + 1) for _ in range(r.randrange(6))}


def hostile(r, host):
    """Make one hostile request."""
    kind = r.randrange(10)
    if kind == 0:
        return bytes(r.randrange(256) for _ in range(r.randrange(1, 300)))
    path = r.choice(PATHS) if r.random() < 0.7 else r.choice(ODD)
    if r.random() < 0.4:
        words = [(_word(r), _word(r)) for _ in range(r.randrange(5))]
        names = ("until", "without", "sun", "drive", "at", "part", "passenger")
        words += [(r.choice(names), _word(r)) for _ in range(r.randrange(3))]
        plain = "&".join(f"{a}={b}" for a, b in words)
        path += "?" + (urlencode(words) if r.random() < 0.7 else plain)
    method = r.choice(
        ("GET", "GET", "POST", "POST", "POST", "HEAD", "PUT", "get", "G\0T")
    )
    version = r.choice(("HTTP/1.1",) * 9 + ("HTTP/1.0", "HTTP/2.0", "HTTP/9", ""))
    lines = [f"{method} {path} {version}"]
    if r.random() < 0.85:
        lines.append(f"Host: {host}")
    body = b""
    if method == "POST" and r.random() < 0.8:
        body = json.dumps(_json(r)).encode()
        if r.random() < 0.3:
            body = body[: r.randrange(len(body) + 1)] + _word(r).encode()
        lines.append("Content-Type: application/json")
        if r.random() < 0.8:
            lines.append(f"Origin: http://{host}")
        if r.random() < 0.8:
            lines.append("X-Page-Write: 1")
        token = "".join(r.choices(string.ascii_letters + "-_", k=43))
        lines.append(f"Cookie: page_phone={token}")
        if r.random() < 0.85:
            lines.append(f"Content-Length: {len(body)}")
    more = r.randrange(4) if r.random() < 0.35 else 0
    lines.extend(f"{r.choice(HEADERS)}: {_word(r)}" for _ in range(more))
    lines.append("Connection: close")
    end = "\n" if r.random() < 0.1 else "\r\n"
    raw = (end.join(lines) + end + end).encode("utf-8", "replace") + body
    return raw[: r.randrange(len(raw))] if kind == 1 else raw


class Fuzz:
    """Send so many hostile requests; count answers, keep what leaked."""

    def __init__(self, port, secrets, *, seed=1, threads=4):
        self.port, self.secrets = port, [s.encode() for s in secrets if s]
        self.seed, self.threads = seed, threads
        self.statuses = collections.Counter()
        self.leaks, self.refused = [], 0
        self.lock = threading.Lock()

    def run(self, count):
        each = [count // self.threads] * self.threads
        each[0] += count - sum(each)
        workers = [
            threading.Thread(target=self._work, args=(k, n)) for k, n in enumerate(each)
        ]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()

    def _work(self, which, count):
        r = random.Random(f"{self.seed}-{which}")
        host = f"127.0.0.1:{self.port}"
        for _ in range(count):
            raw = hostile(r, host)
            source = f"127.{r.randrange(1, 250)}.{r.randrange(250)}.{which + 1}"
            self._note(raw, self._send(raw, source))

    def _send(self, raw, source):
        try:
            with socket.socket() as wire:
                wire.settimeout(0.3)
                wire.bind((source, 0))
                wire.connect(("127.0.0.1", self.port))
                wire.sendall(raw)
                wire.shutdown(socket.SHUT_WR)
                got = b""
                while len(got) < 200_000:
                    more = wire.recv(65536)
                    if not more:
                        break
                    got += more
                return got
        except TimeoutError:
            return b""
        except OSError:
            return None

    def _note(self, raw, got):
        with self.lock:
            if got is None:
                self.refused += 1
                return
            status = got[9:12].decode("latin-1") if got else "no answer"
            self.statuses[status] += 1
            if any(s in got and s not in raw for s in self.secrets):
                self.leaks.append((raw[:200], got[:300]))


def phones(port, count, seconds, *, every=1.0):
    """Let so many phones read at once; give the sorted times of whole answers. [s]"""
    spent, failed = [], []
    lock = threading.Lock()
    end = time.monotonic() + seconds

    def one(k):
        paths = ("/", "/fresh", "/fresh", "/page.css", "/fresh")
        turn = 0
        while time.monotonic() < end:
            begin = time.perf_counter()
            good = _ask(port, paths[turn % 5], f"127.9.{k // 200}.{k % 200 + 1}")
            took = time.perf_counter() - begin
            with lock:
                (spent if good else failed).append(took)
            turn += 1
            time.sleep(max(0.0, every - took))

    workers = [threading.Thread(target=one, args=(k,)) for k in range(count)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    return sorted(spent), len(failed)


def _ask(port, path, source):
    try:
        with socket.socket() as wire:
            wire.settimeout(10)
            wire.bind((source, 0))
            wire.connect(("127.0.0.1", port))
            ask = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
            wire.sendall(f"{ask}Connection: close\r\n\r\n".encode())
            got = b""
            while more := wire.recv(65536):
                got += more
    except OSError:
        return False
    return got.startswith(b"HTTP/1.1 200")


def memory(pid):
    """Give resident memory of a process, now and at most. [MB]"""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    found = {x.split()[0]: x.split()[1] for x in lines if len(x.split()) == 3}
    return int(found["VmRSS:"]) / 1024, int(found["VmHWM:"]) / 1024


def scribe_of(pid):
    """Find the writing part of a serving process: its child that stays."""
    text = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
    lines = {int(x): Path(f"/proc/{x}/cmdline").read_bytes() for x in text.split()}
    return [pid for pid, words in lines.items() if b"page.scribe" in words]
