"""A server that answers as no server should: the first part of the path says how. '/good' is a readings feed that works.

Everything is on the loopback. A black hole takes connections and never answers.
"""
import gzip
import json
import socket
import ssl
import struct
import threading
import time

CHUNK = b"x" * 65536
BOMB = gzip.compress(b"0" * 200_000_000, 1)
BODY_LIMIT, HEADER_LIMIT = 16 * 1024 * 1024, 64 * 1024
FRAME = b'{"feed":1,"instance":"i","created":"2026-03-02T08:00:05Z","buffer":{"size":9,"first":1,"last":9,"next":10},"observations":[%s]}'


def answer(body, head=b"", status=b"200 OK"):
    return b"HTTP/1.1 %s\r\nContent-Type: application/json\r\n%sContent-Length: %d\r\n\r\n%s" % (status, head, len(body), body)


class Feed:
    """One observation each half second since the server began."""

    def __init__(self):
        self.began = time.time()

    def document(self, what, first):
        newest = int((time.time() - self.began) * 2) + 1
        numbers = [newest] if what == "current" else list(range(first, newest + 1))
        stamp = lambda at: time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(at)) + f".{int(at * 1000) % 1000:03d}Z"
        return json.dumps({
            "feed": 1, "instance": "evil", "created": stamp(time.time()),
            "buffer": {"size": 100000, "first": 1, "last": newest, "next": newest + 1},
            "observations": [{"sequence": n, "time": stamp(self.began + n / 2), "device": "d", "item": "i", "value": 4000 + n % 10}
                             for n in numbers]}).encode()


class Evil:
    def __init__(self, context=None, host="127.0.0.1"):
        self.feed, self.context = Feed(), context
        self.socket = socket.create_server((host, 0), backlog=512)
        self.port = self.socket.getsockname()[1]
        self.accepted, self.asked, self.secrets = 0, [], set()
        threading.Thread(target=self.listen, daemon=True).start()

    def listen(self):
        while True:
            client, _ = self.socket.accept()
            self.accepted += 1
            threading.Thread(target=self.serve, args=(client,), daemon=True).start()

    def serve(self, client):
        try:
            if self.context:
                client = self.context.wrap_socket(client, server_side=True)
            while self.one(client):
                pass
        except (OSError, ssl.SSLError):
            pass
        finally:
            client.close()

    def one(self, client):
        request = b""
        while b"\r\n\r\n" not in request:
            more = client.recv(65536)
            if not more:
                return False
            request += more
        path = request.split(b" ")[1].decode()
        parts = path.split("?")[0].strip("/").split("/")
        self.asked.append((time.monotonic(), path))
        if parts[0].startswith("good") or parts[0] == "secret":
            return self.good(client, request, path, parts)
        getattr(self, parts[0])(client)
        return False

    def good(self, client, request, path, parts):
        if parts[0] == "secret":
            shown = [line.split(b":", 1)[1].strip() for line in request.split(b"\r\n") if line.lower().startswith(b"authorization:")]
            if not shown or shown[0] not in self.secrets:
                client.sendall(answer(b"go away", status=b"401 Unauthorized"))
                return True
        first = int(path.split("from=")[1].split("&")[0]) if "from=" in path else 1
        client.sendall(answer(self.feed.document(parts[-1], first)))
        return True

    # breaks of the protocol

    def reset(self, client):
        client.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n{\"feed\": 1")
        time.sleep(0.1)
        client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    def cut(self, client):
        client.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n{\"feed\": 1")

    def lengths(self, client):
        client.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\nContent-Length: 100\r\n\r\n" + b"y" * 100)

    def http09(self, client):
        client.sendall(self.feed.document("current", 1))

    def nul(self, client):
        client.sendall(b"HTTP/1.1 200 OK\r\nX-Odd: a\0b\r\nContent-Length: 2\r\n\r\n{}")

    def hang(self, client):
        client.recv(1)

    def slow_header(self, client):
        for byte in b"HTTP/1.1 200 OK\r\nX-Slow: " + b"z" * 1000:
            client.sendall(bytes([byte]))
            time.sleep(0.5)

    def slow_body(self, client):
        client.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 5000\r\n\r\n")
        while True:
            client.sendall(b"{")
            time.sleep(0.5)

    # too much

    def chunked(self, client):
        client.sendall(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")
        for _ in range(800):
            client.sendall(b"10000\r\n" + CHUNK + b"\r\n")
        client.sendall(b"0\r\n\r\n")

    def endless(self, client):
        client.sendall(b"HTTP/1.1 200 OK\r\n\r\n")
        while True:
            client.sendall(CHUNK)

    def bomb(self, client):
        client.sendall(answer(BOMB, b"Content-Encoding: gzip\r\n"))

    def header_flood(self, client):
        client.sendall(b"HTTP/1.1 200 OK\r\n")
        while True:
            client.sendall(b"X-Flood: " + b"f" * 1000 + b"\r\n")

    def hundreds(self, client):
        while True:
            client.sendall(b"HTTP/1.1 100 Continue\r\n\r\n")

    # a limit: one less, as much, one more; the name ends with the size

    def sized(self, client, size, head=b"", chunked=False):
        body = FRAME % b""
        body += b" " * (size - len(body))
        if not chunked:
            client.sendall(answer(body, head))
            return
        client.sendall(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")
        for k in range(0, size, 65536):
            client.sendall(b"%x\r\n%s\r\n" % (len(body[k:k + 65536]), body[k:k + 65536]))
        client.sendall(b"0\r\n\r\n")

    def body_less(self, client):
        self.sized(client, BODY_LIMIT - 1)

    def body_limit(self, client):
        self.sized(client, BODY_LIMIT)

    def body_more(self, client):
        self.sized(client, BODY_LIMIT + 1)

    def chunks_limit(self, client):  # what counts is the body, not what travels
        self.sized(client, BODY_LIMIT, chunked=True)

    def chunks_more(self, client):
        self.sized(client, BODY_LIMIT + 1, chunked=True)

    def header(self, client, size):
        usual = len(answer(b"x" * 200, b"X-Fill: \r\n")) - 200
        self.sized(client, 200, b"X-Fill: " + b"f" * (size - usual) + b"\r\n")

    def header_less(self, client):
        self.header(client, HEADER_LIMIT - 1)

    def header_limit(self, client):
        self.header(client, HEADER_LIMIT)

    def header_more(self, client):
        self.header(client, HEADER_LIMIT + 1)

    # bodies within the limit that would take a hundred times their size

    def dense(self, client):
        client.sendall(answer(FRAME % (b"{}," * 5_500_000 + b"{}")))

    def numbers(self, client):
        client.sendall(answer(FRAME % (b"0," * 8_000_000 + b"0")))

    # elsewhere

    def to(self, client, where):
        client.sendall(answer(b"", b"Location: " + where + b"\r\n", b"302 Found"))

    def to_file(self, client):
        self.to(client, b"file:///etc/passwd")

    def to_gopher(self, client):
        self.to(client, b"gopher://127.0.0.1:1/x")

    def to_self(self, client):
        self.to(client, b"/to_self")

    def to_good(self, client):
        self.to(client, b"http://127.0.0.1:%d/good/current" % self.port)


class BlackHole:
    """Its queue of connections fills and nobody ever takes one."""

    def __init__(self):
        self.socket = socket.create_server(("127.0.0.1", 0), backlog=4096)
        self.port = self.socket.getsockname()[1]


def refused_port():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return taken.getsockname()[1]
