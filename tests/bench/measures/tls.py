"""A second, secured listener of a world's broker; its site then knows only that one."""

import os
import shutil
import subprocess

import harness
import small_site

BROKER = """\
listener %d 127.0.0.1
allow_anonymous true
listener %d localhost
allow_anonymous true
cafile %s/ca.pem
certfile %s/cert.pem
keyfile %s/key.pem
persistence false
set_tcp_nodelay true
"""


def openssl(folder, words):
    subprocess.run(["openssl"] + words.split(), cwd=folder, check=True, capture_output=True)


def make_keys(folder):
    openssl(folder, "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=bench -keyout ca.key -out ca.pem")
    openssl(folder, "req -newkey rsa:2048 -nodes -subj /CN=localhost -keyout key.pem -out ask.pem")
    small_site.put(os.path.join(folder, "names"), "subjectAltName=DNS:localhost\n")
    openssl(folder, "x509 -req -in ask.pem -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile names -out cert.pem")
    os.chmod(folder, 0o755)  # a broker that root starts reads its files as somebody else
    os.chmod(os.path.join(folder, "key.pem"), 0o644)


def add(world):
    """The words for a bare client of it."""
    folder, port = world.folder, harness.free_port()
    make_keys(folder)
    world.kill_broker()
    path = os.path.join(folder, "broker.conf")
    small_site.put(path, BROKER % (world.port, port, folder, folder, folder))
    program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    world.broker = world.start("broker", [program, "-c", path])
    with open(world.site_path, encoding="utf-8") as file:
        text = file.read()
    plain = 'uris: ["mqtt://127.0.0.1:%d"],' % world.port
    secured = 'uris: ["mqtts://localhost:%d"], ca_file: "%s/ca.pem",' % (port, folder)
    world.daemon.site_path = os.path.join(folder, "site-tls.yaml")
    small_site.put(world.daemon.site_path, text.replace(plain, secured))
    return ["ssl://localhost:%d" % port, "--ca", folder + "/ca.pem"]
