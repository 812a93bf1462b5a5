"""Runs a program as the unit would have it, as far as the kernel's seccomp goes: the unit's SystemCallFilter,
RestrictAddressFamilies and MemoryDenyWriteExecute, made into filters here and put in force before the
program is executed. Nothing else of the unit is there: no account, no namespaces, no limits.

    python3 confine.py UNIT PROGRAM ARGUMENTS...
"""

import ctypes
import os
import re
import struct
import subprocess
import sys

# linux/bpf_common.h, linux/seccomp.h, linux/audit.h, linux/prctl.h
LD_W_ABS, JMP_JEQ_K, JMP_JSET_K, RET_K = 0x20, 0x15, 0x45, 0x06
ALLOW, ERRNO, KILL_PROCESS = 0x7FFF0000, 0x00050000, 0x80000000
NR_AT, ARCH_AT, ARGUMENT_AT = 0, 4, 16
AUDIT_ARCH_X86_64 = 0xC000003E
PR_SET_NO_NEW_PRIVS, PR_SET_SECCOMP, SECCOMP_MODE_FILTER = 38, 22, 2
EPERM, EAFNOSUPPORT = 1, 97
PROT_WRITE, PROT_EXEC, SHM_EXEC = 2, 4, 0o100000
FAMILIES = {"AF_UNIX": 1, "AF_INET": 2, "AF_INET6": 10}
HEADERS = ("/usr/include/x86_64-linux-gnu/asm/unistd_64.h", "/usr/include/asm/unistd_64.h")


def settings(unit, key):
    """Every value of a setting, in order."""
    with open(unit, encoding="utf-8") as file:
        return [line.strip().split("=", 1)[1] for line in file if line.startswith(key + "=")]


def groups():
    """systemd's own sets of system calls."""
    run = subprocess.run(["systemd-analyze", "syscall-filter", "--no-pager"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=True)
    found, name = {}, None
    for line in run.stdout.decode().splitlines():
        if line.startswith("@"):
            name = line.strip()
            found[name] = []
        elif name and line.startswith("    ") and not line.strip().startswith("#"):
            found[name].append(line.strip())
    return found


def allowed_calls(unit):
    """The names that the SystemCallFilter lines leave, spelled out."""
    known = groups()

    def spell(word):
        if not word.startswith("@"):
            return {word}
        return set().union(*map(spell, known[word]))

    calls = set()
    for value in settings(unit, "SystemCallFilter"):
        words = value.lstrip("~").split()
        named = set().union(*map(spell, words))
        calls = calls - named if value.startswith("~") else calls | named
    return calls


def numbers():
    path = next(p for p in HEADERS if os.path.exists(p))
    with open(path, encoding="utf-8") as file:
        return {name: int(n) for name, n in re.findall(r"#define __NR_(\w+) (\d+)", file.read())}


def step(code, value, yes=0, no=0):
    return struct.pack("<HBBI", code, yes, no, value)


def native_only():
    """SystemCallArchitectures=native; then the call's number is loaded."""
    return [
        step(LD_W_ABS, ARCH_AT),
        step(JMP_JEQ_K, AUDIT_ARCH_X86_64, 1, 0),
        step(RET_K, KILL_PROCESS),
        step(LD_W_ABS, NR_AT),
    ]


def filter_calls(unit):
    known = numbers()
    program = native_only()
    for name in sorted(allowed_calls(unit) & set(known)):
        program += [step(JMP_JEQ_K, known[name], 0, 1), step(RET_K, ALLOW)]
    return program + [step(RET_K, ERRNO | EPERM)]


def filter_families(unit):
    """socket() of another family."""
    wanted = [FAMILIES[w] for v in settings(unit, "RestrictAddressFamilies") for w in v.split()]
    program = native_only() + [step(JMP_JEQ_K, numbers()["socket"], 1, 0), step(RET_K, ALLOW), step(LD_W_ABS, ARGUMENT_AT)]
    for family in wanted:
        program += [step(JMP_JEQ_K, family, 0, 1), step(RET_K, ALLOW)]
    return program + [step(RET_K, ERRNO | EAFNOSUPPORT)]


def filter_memory():
    """No memory that can be written and executed, nor made executable later."""
    known = numbers()
    both = PROT_WRITE | PROT_EXEC
    program = native_only()
    for name, argument, mask, value in (
        ("mmap", 2, both, both), ("mprotect", 2, PROT_EXEC, PROT_EXEC),
        ("pkey_mprotect", 2, PROT_EXEC, PROT_EXEC), ("shmat", 2, SHM_EXEC, SHM_EXEC),
    ):  # fmt: skip
        bits = [1 << b for b in range(32) if value & (1 << b)]
        checks = []
        for n, bit in enumerate(bits):  # all of them, or on to the end
            checks.append(step(JMP_JSET_K, bit, 0, len(bits) - n))
        body = [step(LD_W_ABS, ARGUMENT_AT + 8 * argument)] + checks + [step(RET_K, ERRNO | EPERM), step(RET_K, ALLOW)]
        program += [step(JMP_JEQ_K, known[name], 0, len(body))] + body
    return program + [step(RET_K, ALLOW)]


def put_in_force(libc, program):
    code = b"".join(program)
    buffer = ctypes.create_string_buffer(code, len(code))
    head = struct.pack("@HxxxxxxP", len(program), ctypes.addressof(buffer))
    held = ctypes.create_string_buffer(head, len(head))
    if libc.prctl(PR_SET_SECCOMP, SECCOMP_MODE_FILTER, ctypes.c_void_p(ctypes.addressof(held)), 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "the filter is refused")


def confine(unit):
    libc = ctypes.CDLL(None, use_errno=True)
    filters = [filter_calls(unit), filter_families(unit), filter_memory()]  # made while all is allowed
    if libc.prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "no_new_privs is refused")
    for program in reversed(filters):
        put_in_force(libc, program)


if __name__ == "__main__":
    confine(sys.argv[1])
    os.execv(sys.argv[2], sys.argv[2:])
