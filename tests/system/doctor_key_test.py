#!/usr/bin/python3
"""dosewright doctor where the daemon's private key is locked with a pass phrase: nobody is asked for it."""

import json
import os
import pty
import select
import signal
import time

import certificates
import harness
from doctor_test import Case

END_S = 30


class LockedKey(Case):
    @classmethod
    def setUpClass(cls):
        cls.world = harness.World(rig=False, tanks=("basil-bench",))
        cls.addClassCleanup(cls.world.close)
        cls.daemon = cls.world.daemon
        folder = cls.world.folder
        certificates.authority(folder, "ca", 300)
        certificates.member(folder, "own", "ca", 300)
        certificates.run(folder, "openssl pkey -in own.key -aes256 -passout pass:x -out locked.key")
        port = harness.free_port()
        cls.world.kill_broker()
        cls.world.start_broker(
            "allow_anonymous true\nlistener %d 127.0.0.1\ncafile %s/ca.pem\ncertfile %s/own.pem\nkeyfile %s/own.key\n"
            % (port, folder, folder, folder)
        )
        cls.uris = ('"mqtt://127.0.0.1:%d"' % cls.world.port, '"mqtts://127.0.0.1:%d"' % port)

    def on_a_terminal(self, path):
        """All that it says there, of which the TLS library would ask."""
        child, terminal = pty.fork()
        if child == 0:
            os.execv(harness.PROGRAM, ["dosewright", "doctor", "--json", "--wait", "1", "--no-publish", path])
        said, end = b"", time.monotonic() + END_S
        try:
            while time.monotonic() < end:
                if select.select([terminal], [], [], 0.2)[0]:
                    said += os.read(terminal, 4096)
        except OSError:  # its end
            return said
        finally:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            os.close(terminal)
        raise AssertionError("it waits: %s" % said)

    def test_it_is_said_to_be_that_and_nobody_is_asked(self):
        more = "mqtt: 5, ca_file: {0}/ca.pem, cert_file: {0}/own.pem, key_file: {0}/locked.key }}"
        path = self.site_with(self.uris, ("mqtt: 5 }", more.format(self.world.folder)))
        lines = json.loads(self.on_a_terminal(path))["lines"]
        found = {line["what"]: line for line in lines}
        self.assertEqual(found["key"]["verdict"], "fail", lines)
        self.assertIn("pass phrase", found["key"]["found"])
        self.assertEqual(found["certificate"]["verdict"], "ok", lines)
        self.assertEqual(found["broker"]["verdict"], "fail", lines)
        self.one(self.look("--wait", "1", "--no-publish", site=path), "key", "fail", "openssl pkey")


if __name__ == "__main__":
    harness.main()
