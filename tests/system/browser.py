"""A headless Chromium that is told what to do over a pipe (its DevTools protocol, messages of JSON
ended by a NUL), with nothing but Python's standard library. Its profile is a temporary folder."""

import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time


class Browser:
    """Use as a context; every call is bounded in time."""

    PROGRAMS = ("chromium", "chromium-browser")

    def __enter__(self):
        program = next((p for p in map(shutil.which, self.PROGRAMS) if p), None)
        if program is None:
            raise RuntimeError("there is no chromium: apt-get install chromium")
        self.profile = tempfile.mkdtemp(prefix="dosewright-browser-")
        theirs, self.write = os.pipe()
        self.read, theirs_too = os.pipe()
        command = [
            program, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
            "--no-first-run", "--disable-background-networking", "--disable-extensions",
            "--hide-scrollbars", "--remote-debugging-pipe", "--user-data-dir=" + self.profile,
            "about:blank",
        ]  # fmt: skip
        shell = 'exec "$@" 3<&%d 4>&%d' % (theirs, theirs_too)
        self.process = subprocess.Popen(
            ["sh", "-c", shell, "sh", *command],
            pass_fds=(theirs, theirs_too), start_new_session=True,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(theirs)
        os.close(theirs_too)
        self.rest, self.id, self.events, self.session = b"", 0, [], None
        try:
            page = self.call("Target.createTarget", url="about:blank", session=False)
            self.session = self.call(
                "Target.attachToTarget", targetId=page["targetId"], flatten=True, session=False
            )["sessionId"]
            for domain in ("Page", "Runtime", "Log", "Network"):
                self.call(domain + ".enable")
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_):
        os.close(self.write)  # the browser ends with its pipe
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, 9)
            self.process.wait(10)
        os.close(self.read)
        shutil.rmtree(self.profile, ignore_errors=True)

    def receive(self, until):
        while b"\0" not in self.rest:
            left = until - time.monotonic()
            if left <= 0 or not select.select([self.read], [], [], left)[0]:
                raise TimeoutError("the browser doesn't answer")
            more = os.read(self.read, 1 << 20)
            if not more:
                raise EOFError("the browser has ended")
            self.rest += more
        message, self.rest = self.rest.split(b"\0", 1)
        return json.loads(message)

    def call(self, method, session=True, timeout=40, **params):
        self.id += 1
        message = {"id": self.id, "method": method, "params": params}
        if session and self.session:
            message["sessionId"] = self.session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self.write, data) :]
        until = time.monotonic() + timeout
        while True:
            answer = self.receive(until)
            if answer.get("id") == self.id:
                if "error" in answer:
                    raise RuntimeError("%s: %s" % (method, answer["error"]))
                return answer["result"]
            self.events.append(answer)

    def wait_for(self, method, timeout=40):
        until = time.monotonic() + timeout
        while not any(e.get("method") == method for e in self.events):
            self.events.append(self.receive(until))

    def open(self, path, width, height=800, dark=False, mobile=False):
        """Shows a file; events of before are forgotten."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media="", features=[scheme])
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=mobile,
        )  # fmt: skip
        self.events = []
        self.call("Page.navigate", url="file://" + os.path.abspath(path))
        self.wait_for("Page.loadEventFired")

    def value(self, expression):
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"])
        return answer["result"].get("value")

    def screenshot(self, **more):
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True, **more)
        return base64.b64decode(answer["data"])

    def pdf(self):
        answer = self.call("Page.printToPDF", printBackground=True, preferCSSPageSize=True)
        return base64.b64decode(answer["data"])

    def complaints(self):
        """What the page made the console say."""
        said = []
        for e in self.events:
            if e.get("method") in ("Log.entryAdded", "Runtime.exceptionThrown"):
                said.append(json.dumps(e["params"]))
            if e.get("method") == "Runtime.consoleAPICalled":
                said.append(json.dumps(e["params"]["args"]))
        return said

    def requests(self):
        """Addresses that were asked for."""
        sent = [e for e in self.events if e.get("method") == "Network.requestWillBeSent"]
        return [e["params"]["request"]["url"] for e in sent]
