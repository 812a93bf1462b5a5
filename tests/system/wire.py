"""A cable that can be cut: what connects to its port is carried to another port, until it isn't."""

import socket
import threading


class Wire:
    """Cut, both ends see the connection break, and nobody connects. Frozen, what is connected stays so and
    nothing arrives, as when a radio link is lost; nobody else connects."""

    def __init__(self, to_port):
        self.to_port = to_port
        self.lock = threading.Lock()
        self.pairs = []
        self.whole, self.closed = True, False
        self.flows = threading.Event()
        self.flows.set()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        while True:
            try:
                near, _ = self.listener.accept()
            except OSError:
                return
            try:
                if not self.whole or self.closed or not self.flows.is_set():
                    raise OSError
                far = socket.create_connection(("127.0.0.1", self.to_port), 5)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            for one in (near, far):
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with self.lock:
                self.pairs.append((near, far))
            threading.Thread(target=self._join, args=(near, far), daemon=True).start()

    def _join(self, near, far):
        back = threading.Thread(target=self._carry, args=(far, near), daemon=True)
        back.start()
        self._carry(near, far)
        back.join()
        for one in (near, far):
            one.close()

    def _carry(self, a, b):
        try:
            while True:
                piece = a.recv(65536)
                self.flows.wait()
                if not piece:
                    break
                b.sendall(piece)
        except OSError:
            pass
        for one in (a, b):
            try:
                one.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass

    def cut(self):
        self.whole = False
        with self.lock:
            pairs, self.pairs = self.pairs, []
        for pair in pairs:
            for one in pair:
                try:
                    one.shutdown(socket.SHUT_RDWR)
                except OSError:
                    pass

    def mend(self):
        self.whole = True

    def freeze(self):
        self.flows.clear()

    def thaw(self):
        self.flows.set()

    def close(self):
        self.closed = True
        self.cut()
        self.flows.set()
        self.listener.close()
