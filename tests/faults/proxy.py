"""A TCP proxy in front of a PostgreSQL socket that fails on command.

It runs in a thread of the test. Its behaviour is one word, `mode`, that may change at any time:
    pass    forwards
    cut     forwards a COMMIT, waits for the server's answer, and closes the client's side without it: a lost reply
    hold    forwards a COMMIT and holds all answers until `release` is called
    silent  takes everything and forwards nothing, in both directions, also on new connections
"""
import asyncio
import threading

# As a statement of its own, and as the prepared statement "commit" bound to no portal at the end of a pipe.
COMMITS = (b"Q\x00\x00\x00\x0bCOMMIT\x00", b"\x00commit\x00")


class Proxy:
    def __init__(self, socket_path, certificate=None):
        """With a certificate (an ssl.SSLContext) it speaks TLS to the client, as a server on the network would."""
        self.upstream, self.mode, self.certificate = socket_path, "pass", certificate
        self.held, self.lost = threading.Event(), threading.Event()  # it happened
        self.ready = threading.Event()
        self.thread = threading.Thread(target=lambda: asyncio.run(self.serve()), daemon=True)
        self.thread.start()
        self.ready.wait(10)

    async def serve(self):
        self.loop, self.ended, self.free = asyncio.get_running_loop(), asyncio.Event(), asyncio.Event()
        server = await asyncio.start_server(self.connection, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self.ready.set()
        await self.ended.wait()
        server.close()

    async def connection(self, reader, writer):
        try:
            up_reader, up_writer = await asyncio.open_unix_connection(self.upstream)
        except OSError:
            writer.close()
            return
        state = {"committing": False}
        try:
            if self.certificate:
                await reader.readexactly(8)  # the client asks whether there is TLS
                writer.write(b"S")
                await writer.start_tls(self.certificate)
            await asyncio.gather(self.pump(reader, up_writer, state, True), self.pump(up_reader, writer, state, False),
                                 return_exceptions=True)
        except asyncio.CancelledError:
            pass  # the proxy ends
        except (OSError, asyncio.IncompleteReadError):
            pass  # the client does not like the certificate
        finally:
            writer.close()
            up_writer.close()

    async def pump(self, reader, writer, state, from_client):
        while data := await reader.read(65536):
            if from_client and any(commit in data for commit in COMMITS):
                state["committing"] = True
            if self.mode == "silent":
                continue
            if not from_client and state["committing"] and self.mode == "cut":
                self.mode = "pass"
                self.lost.set()
                break
            if not from_client and state["committing"] and self.mode == "hold":
                self.held.set()
                await self.free.wait()
            writer.write(data)
            await writer.drain()
        writer.close()

    def release(self):
        self.mode = "pass"
        self.loop.call_soon_threadsafe(self.free.set)

    def close(self):
        if not self.thread.is_alive():
            return
        self.loop.call_soon_threadsafe(self.ended.set)
        self.thread.join(5)
