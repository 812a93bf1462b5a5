"""The rules of the house, one function each. A rule gets a Tree and yields findings."""

import os
import re
import subprocess

import csource

FILE_LINES = 600
FUNCTION_LINES = 60
PARAMETERS = 6
NESTING = 3
GUIDE_LINES = 250

TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "CMakeLists.txt",
    "daemon", "lib", "config", "systemd", "tests", "docs",
}  # fmt: skip

# Who may include whom, below lib. Everyone may include itself.
MAY_INCLUDE = {
    "base": set(),
    "chem": {"base"},
    "sense": {"base", "chem"},
    "crop": {"base", "chem"},
    "control": {"base", "chem"},
    "dose": {"base", "chem"},
    "chain": {"base"},
    "journal": {"base"},
    "plant": {"base", "chem", "chain"},
    "core": {"base", "chem", "sense", "crop", "control", "dose", "chain", "journal"},
    "forecast": {
        "base", "chem", "sense", "crop", "control", "dose", "chain", "journal", "plant", "core",
    },
}
# The model of the other side is for trials, not for the daemon that runs tanks.
USES_PLANT = re.compile(r"^daemon/(rig|forecast)/\w+\.[ch]$")
# The rooms of the daemon: each may include itself and those before it.
ROOMS = (
    "base", "payload", "config", "journal", "mqtt", "hear", "homie", "door", "report", "tool", "run",
    "check", "doctor", "backup", "worksheet", "commission", "reckon", "forecast", "drive", "rig",
)  # fmt: skip

LIB_SYSTEM_HEADERS = {
    "float.h", "inttypes.h", "limits.h", "math.h", "stdalign.h", "stdarg.h", "stdbool.h",
    "stddef.h", "stdint.h", "string.h",
}  # fmt: skip

# What a plain build of lib may want from outside. The __..._chk forms are what hardening makes of them.
LIB_SYMBOLS = {
    "memcpy", "memset", "memcmp", "memmove", "memchr", "strlen", "strcmp", "strncmp", "strchr",
    "sqrt", "fabs", "floor", "ceil",
    "invariant_broken",
    "__memcpy_chk", "__memset_chk", "__memmove_chk", "__stack_chk_fail", "_GLOBAL_OFFSET_TABLE_",
}  # fmt: skip

BANNED_WORDS = {
    "strcpy", "stpcpy", "sprintf", "vsprintf", "strcat", "strtok", "atoi", "atol", "atof", "rand",
    "srand", "gets", "alloca",
}  # fmt: skip
BANNED_CALLS = {"localtime", "system", "time"}
BANNED_ANYWHERE = re.compile(r"\b(" + "FIX" + "ME|X" + "XX)\\b")

INCLUDE = re.compile(r'#\s*include\s*(["<])([^">]+)[">]')


class Finding:
    def __init__(self, path, line, rule, text):
        self.path = path
        self.line = line
        self.rule = rule
        self.text = text

    def __str__(self):
        return "%s:%d: %s: %s" % (self.path, self.line, self.rule, self.text)


class Tree:
    """The files of a source tree: those git knows or would add, or all but build folders."""

    def __init__(self, root, archive=None):
        self.root = root
        self.archive = archive
        self.paths = sorted(self._listed())
        self._text = {}
        self._tokens = {}

    def _listed(self):
        if os.path.exists(os.path.join(self.root, ".git")):
            out = subprocess.run(
                ["git", "-c", "safe.directory=*", "ls-files", "-z", "-co", "--exclude-standard"],
                cwd=self.root, check=True, stdout=subprocess.PIPE,
            ).stdout.decode()  # fmt: skip
            return [p for p in out.split("\0") if p and os.path.isfile(os.path.join(self.root, p))]
        found = []
        for folder, folders, files in os.walk(self.root):
            folders[:] = [
                f for f in folders
                if f not in (".git", ".build", "__pycache__", "node_modules")
                and not (folder == self.root and f.startswith("build"))
            ]  # fmt: skip
            found += [os.path.relpath(os.path.join(folder, f), self.root) for f in files]
        return found

    def sources(self, *folders):
        return [
            p for p in self.paths
            if p.endswith((".c", ".h")) and p.split("/")[0] in (folders or ("lib", "daemon", "tests"))
        ]  # fmt: skip

    def text(self, path):
        if path not in self._text:
            with open(os.path.join(self.root, path), encoding="utf-8", errors="replace") as file:
                self._text[path] = file.read()
        return self._text[path]

    def tokens(self, path):
        if path not in self._tokens:
            self._tokens[path] = csource.tokens_of(self.text(path))
        return self._tokens[path]

    def functions(self, path):
        return csource.functions_of(self.tokens(path))


def includes_of(tree, path):
    for token in tree.tokens(path):
        if token.kind == "directive":
            match = INCLUDE.match(token.text.strip())
            if match:
                yield token.line, match.group(1) == '"', match.group(2)


def includes_point_down(tree):
    rule = "include"
    for path in tree.sources():
        parts = path.split("/")
        for line, own, name in includes_of(tree, path):
            target = name.split("/")
            if not own:
                if parts[0] == "lib" and name not in LIB_SYSTEM_HEADERS:
                    yield Finding(path, line, rule, "<%s> isn't for lib: it has no I/O" % name)
                continue
            if name not in tree.paths:
                yield Finding(path, line, rule, '"%s" isn\'t a path from the top folder' % name)
            elif parts[0] == "lib" and target[0] != "lib":
                yield Finding(path, line, rule, "lib includes %s: dependencies point down" % name)
            elif parts[0] == "daemon" and target[0] == "tests":
                yield Finding(path, line, rule, "the daemon includes %s" % name)
            elif parts[0] == "lib" and parts[1] != target[1]:
                if target[1] not in MAY_INCLUDE.get(parts[1], set()):
                    text = "lib/%s may not include lib/%s" % (parts[1], target[1])
                    yield Finding(path, line, rule, text)
            elif parts[0] == "daemon" and target[:2] == ["lib", "plant"]:
                if not USES_PLANT.match(path):
                    yield Finding(path, line, rule, "only rig and forecast may use lib/plant")
            elif parts[0] == "daemon" and target[0] == "daemon" and len(parts) > 2:
                text = no_way(parts[1], target[1] if len(target) > 2 else "")
                if text:
                    yield Finding(path, line, rule, text)


def no_way(room, other):
    """Why a file of this room of the daemon may not include one of the other; None when it may."""
    for name in (room, other):
        if name not in ROOMS:
            return "'%s' isn't a room of the daemon: give it a place in ROOMS" % name
    if ROOMS.index(other) > ROOMS.index(room):
        return "daemon/%s may not include daemon/%s" % (room, other)
    return None


def daemon_lives_in_rooms(tree):
    for path in tree.sources("daemon"):
        if path.count("/") == 1 and path != "daemon/main.c":
            yield Finding(path, 0, "room", "below daemon/ only main.c stands outside a room")


def lib_wants_little(tree):
    """Undefined symbols of the archive's objects, less those that it defines itself."""
    if not tree.archive:
        return
    out = subprocess.run(
        ["nm", "-A", tree.archive], check=True, stdout=subprocess.PIPE
    ).stdout.decode()
    defined = set()
    wanted = []
    for line in out.splitlines():
        place, _, rest = line.rpartition(":")
        fields = rest.split()
        kind, name = fields[-2], fields[-1]
        if kind in ("U", "w"):
            wanted.append((place, name))
        elif kind.isupper():
            defined.add(name)
    for place, name in wanted:
        if name not in defined and name not in LIB_SYMBOLS:
            yield Finding(place, 0, "symbol", "lib may not call %s" % name)


def lib_keeps_nothing(tree):
    """No variable data: .data.rel.ro is constant after the start."""
    if not tree.archive:
        return
    out = subprocess.run(
        ["size", "-A", tree.archive], check=True, stdout=subprocess.PIPE
    ).stdout.decode()
    member = tree.archive
    for line in out.splitlines():
        if line.rstrip().endswith(":") and "(ex " in line:
            member = line.split()[0]
        fields = line.split()
        if len(fields) != 3 or not fields[1].isdigit() or int(fields[1]) == 0:
            continue
        section = fields[0]
        if section.startswith(".data.rel.ro"):
            continue
        if re.match(r"^\.(data|bss|tdata|tbss)(\.|$)", section):
            yield Finding(member, 0, "variable", "%s of %s bytes" % (section, fields[1]))


def files_are_short(tree):
    for path in tree.sources() + [p for p in tree.paths if p.endswith(".py")]:
        lines = tree.text(path).count("\n")
        if lines > FILE_LINES:
            yield Finding(path, lines, "file-length", "%d lines" % lines)
    lines = tree.text("DEVELOPERS.md").count("\n") if "DEVELOPERS.md" in tree.paths else 0
    if lines > GUIDE_LINES:
        yield Finding("DEVELOPERS.md", lines, "file-length", "%d lines" % lines)


def functions_are_small(tree):
    for path in tree.sources():
        for f in tree.functions(path):
            if f.parameters > PARAMETERS:
                text = "%s has %d" % (f.name, f.parameters)
                yield Finding(path, f.line, "parameters", text)
            if f.body is None:
                continue
            lines = f.end_line - f.line + 1 - csource.table_lines(f.body)
            if lines > FUNCTION_LINES:
                yield Finding(path, f.line, "function-length", "%s: %d lines" % (f.name, lines))
            depth = csource.nesting_of(f.body)
            if depth > NESTING:
                yield Finding(path, f.line, "nesting", "%s: %d levels" % (f.name, depth))


def words_are_allowed(tree):
    for path in tree.sources():
        code = csource.code_of(tree.tokens(path))
        for i, token in enumerate(code):
            if token.kind != "word":
                continue
            called = i + 1 < len(code) and code[i + 1].text == "("
            member = i > 0 and code[i - 1].text in (".", "->")
            # Tests may use what the C library offers: they run where nothing can be hurt.
            if str(path).startswith("tests/"):
                continue
            if token.text in BANNED_WORDS or (
                token.text in BANNED_CALLS and called and not member
            ):
                yield Finding(path, token.line, "banned", token.text)
        for number, line in enumerate(tree.text(path).splitlines(), 1):
            match = BANNED_ANYWHERE.search(line)
            if match:
                yield Finding(path, number, "banned", match.group())


def comments_are_closed(tree):
    for path in tree.sources():
        for token in tree.tokens(path):
            if token.kind == "comment" and token.text.startswith("//"):
                yield Finding(path, token.line, "comment", "only /* */ is committed")


def commented_lines(tokens):
    """Lines that end with a comment, and lines just below one. A blank line breaks the tie, but not
    below the rule that names a part of the header."""
    beside, below = set(), set()
    code_lines = {t.line for t in tokens if t.kind != "comment"}
    for token in tokens:
        if token.kind != "comment":
            continue
        if token.line in code_lines:
            beside.add(token.line)
            if token.end_line > token.line:
                beside.update(range(token.line, token.end_line + 1))
        else:
            below.add(token.end_line + 1)
            if token.text.startswith("/* ---"):
                below.add(token.end_line + 2)
    return beside, below


def prototypes_are_explained(tree):
    """A comment above the prototype, above its group (no blank line between), or beside it. The
    comment at the top of a header stands for the first group, if only directives come between."""
    for path in [p for p in tree.sources("lib", "daemon") if p.endswith(".h")]:
        tokens = tree.tokens(path)
        beside, below = commented_lines(tokens)
        rows = tree.text(path).splitlines()
        comments = [t for t in tokens if t.kind == "comment"]
        first_code = next((t.line for t in csource.code_of(tokens)), 0)
        headed = bool(comments) and comments[0].line == 1
        for f in tree.functions(path):
            if f.body is not None or beside & set(range(f.line, f.end_line + 1)):
                continue
            line = f.line
            while line > 1 and rows[line - 2].strip() and line not in below:
                line -= 1
            if line in below or (headed and line == first_code):
                continue
            yield Finding(path, f.line, "prototype", "%s has no comment above it" % f.name)


def format_is_decided(tree):
    sources = tree.sources()
    for at in range(0, len(sources), 40):
        run = subprocess.run(
            ["clang-format", "--dry-run", "--style=file"] + sources[at : at + 40],
            cwd=tree.root, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        told = set()
        for line in run.stdout.decode(errors="replace").splitlines():
            match = re.match(r"^(\S+?):(\d+):\d+: (warning|error): ", line)
            if match and match.group(1) not in told:
                told.add(match.group(1))
                text = "clang-format would change this and perhaps more"
                yield Finding(match.group(1), int(match.group(2)), "format", text)
        if run.returncode != 0 and not told:
            yield Finding(".", 0, "format", run.stdout.decode(errors="replace").strip())


def top_is_tidy(tree):
    for name in sorted({p.split("/")[0] for p in tree.paths}):
        if name not in TOP_LEVEL and not name.startswith("."):
            yield Finding(name, 0, "top-level", "isn't one of %s" % ", ".join(sorted(TOP_LEVEL)))


def links_lead_somewhere(tree):
    for path in [p for p in tree.paths if p.endswith(".md")]:
        for number, line in enumerate(tree.text(path).splitlines(), 1):
            for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", line):
                if re.match(r"^[a-z]+:", target):
                    continue
                place = os.path.normpath(os.path.join(os.path.dirname(path), target))
                if not os.path.exists(os.path.join(tree.root, place)):
                    yield Finding(path, number, "link", "%s isn't there" % target)


RULES = (
    includes_point_down,
    daemon_lives_in_rooms,
    lib_wants_little,
    lib_keeps_nothing,
    files_are_short,
    functions_are_small,
    words_are_allowed,
    comments_are_closed,
    prototypes_are_explained,
    format_is_decided,
    top_is_tidy,
    links_lead_somewhere,
)
