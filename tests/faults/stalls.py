"""What a busy machine adds to every time that a test measures."""
import threading
import time


class Stalls:
    """How long this machine kept a thread that wanted to run waiting, at most: others' load is no fault of ours."""

    def __init__(self):
        self.worst, self.ended = 0.0, False
        threading.Thread(target=self.watch, daemon=True).start()

    def watch(self):
        while not self.ended:
            began = time.monotonic()
            time.sleep(0.02)
            self.worst = max(self.worst, time.monotonic() - began - 0.02)

    def end(self):
        self.ended = True
        return self.worst
