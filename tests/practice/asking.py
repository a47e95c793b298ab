"""The page asked without a browser: the same requests that its script sends."""

import asyncio
import threading
import time
from concurrent.futures import Future
from urllib.parse import quote

import httpx

from sleepbrux.cli.reference import ACCEPT, TAKE
from sleepbrux.practice.reviewing import Desk
from sleepbrux.practice.server import Page, application
from sleepbrux.practice.state import Practice
from sleepbrux.review.access import Entrance
from sleepbrux.review.serving import listening, patient_for, server_of


class Inside:
    """The review in this process instead of its own, so that a test can hold its clock."""

    def __init__(self):
        self.desk, self.process_id = Desk(), None

    def ask(self, question):
        """As `Reviewer.ask`."""
        future = Future()
        answering = threading.Thread(
            target=lambda: future.set_result(asyncio.run(self.desk.answer(question)))
        )
        answering.start()
        answering.join()
        return future

    def stop(self):
        """Nothing runs."""


class Asking:
    """A page over a folder, served in a thread of this process; its worker is a process of its own."""

    def __init__(self, folder, *, patience_s=30.0):
        self.practice = Practice(folder, clench_steps=(ACCEPT, TAKE))
        self.entrance = Entrance()
        self.shown = []
        self._open = listening()
        socket = self._open.__enter__()
        self.port = socket.getsockname()[1]
        self.origin = f"http://127.0.0.1:{self.port}"
        self.page = Page(
            self.practice, self.entrance, self.port, secret="s" * 20, show=lambda: self.shown.append(1)
        )
        self.server = server_of(application(self.page), patient_for(patience_s, renewed=True))
        self.page.quit = self.stop_serving
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [socket]})
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)
        self.client = httpx.Client(base_url=self.origin, timeout=120)
        self.headers = {"X-Review-Token": self.entrance.token, "Origin": self.origin}

    def address(self):
        """The page with a pass that opens once."""
        return f"{self.origin}/#pass={self.entrance.once()}"

    def screen(self, at):
        """HTML of a screen."""
        answer = self.client.get("/api/screen", params={"at": at}, headers=self.headers)
        assert answer.status_code == 200, answer.text
        return answer.json()["html"]

    def answer(self, action, at="nights", **fields):
        """What the program answers to an action, whatever it is."""
        body = {"action": action, "fields": {k: str(v) for k, v in fields.items()}, "at": at}
        return self.client.post("/api/do", json=body, headers=self.headers)

    def do(self, action, at="nights", **fields):
        """An action that is done, and what it started too."""
        answer = self.answer(action, at, **fields)
        assert answer.status_code == 200, answer.text
        self.wait()
        return answer.json()

    def wait(self, seconds=300.0):
        """Until the worker has nothing more to do."""
        end = time.monotonic() + seconds
        while self.practice.worker.busy():
            assert time.monotonic() < end
            time.sleep(0.02)

    def send(self, name, data, **headers):
        """Drop a file."""
        return self.client.put(
            "/api/upload", content=data, headers=self.headers | {"X-File-Name": quote(name)} | headers
        )

    def arrive(self):
        """Take what was dropped into the study."""
        answer = self.client.post("/api/arrive", headers=self.headers)
        assert answer.status_code == 200, answer.text
        self.wait()
        return answer.json()

    def stop_serving(self):
        """Serve no longer."""
        self.server.should_exit = True
        self.page.bell.ring()

    def stop(self):
        """End server and worker."""
        self.client.close()
        self.stop_serving()
        self.thread.join()
        self._open.__exit__(None, None, None)
        self.practice.stop()
