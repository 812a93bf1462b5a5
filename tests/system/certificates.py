"""Certificates for a broker on loopback, made by openssl in a folder: NAME.pem and NAME.key."""

import subprocess

AUTHORITY = (
    "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days {days}"
    " -subj /CN={name} -keyout {name}.key -out {name}.pem"
)
MEMBER = (
    "openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj /CN={name}"
    " -keyout {name}.key -out {name}.csr && printf 'subjectAltName={alternative}' > {name}.ext &&"
    " openssl x509 -req -in {name}.csr -CA {by}.pem -CAkey {by}.key -CAcreateserial -days {days}"
    " -extfile {name}.ext -out {name}.pem"
)


def run(folder, command):
    subprocess.run(
        command, shell=True, check=True, cwd=folder, timeout=30,
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def authority(folder, name, days=2):
    run(folder, AUTHORITY.format(name=name, days=days))


def member(folder, name, by, days=2, alternative="IP:127.0.0.1"):
    """With a negative number of days it has expired already."""
    run(folder, MEMBER.format(name=name, by=by, days=days, alternative=alternative))
