#!/usr/bin/python3
"""Each rule is shown to fire on a bad snippet, planted in a small tree of its own, and to be silent
on the same tree without it."""

import os
import shutil
import subprocess
import sys
import tempfile
import unittest

import csource
import rules

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))

GOOD_HEADER = """\
/* A thing. */
#ifndef THING_H
#define THING_H

#include <stdint.h>

#include "lib/base/units.h"

/* Twice 'n'. */
int64_t thing_twice(int64_t n);

#endif
"""

GOOD_SOURCE = """\
#include "lib/dose/thing.h"

#include <string.h>

static const int64_t table[] = { 1, 2 };

int64_t thing_twice(int64_t n)
{
    for (int i = 0; i < 2; i++) {
        if (n < table[i]) return (int64_t)strlen("rand() // is only text here");
    }
    return n * table[1];
}
"""


class Planted(unittest.TestCase):
    def setUp(self):
        self.root = tempfile.mkdtemp(prefix="dosewright-tidy-")
        self.addCleanup(shutil.rmtree, self.root)
        shutil.copy(os.path.join(ROOT, ".clang-format"), self.root)
        self.write("README.md", "# A tree\n\nSee [the header](lib/dose/thing.h).\n")
        self.write("lib/base/units.h", "/* Units. */\n")
        self.write("lib/dose/thing.h", GOOD_HEADER)
        self.write("lib/dose/thing.c", GOOD_SOURCE)
        self.archive = None

    def write(self, path, text):
        place = os.path.join(self.root, path)
        os.makedirs(os.path.dirname(place), exist_ok=True)
        with open(place, "w", encoding="utf-8") as file:
            file.write(text)

    def build(self):
        """The archive of all of lib, as a release build makes it."""
        objects = []
        for folder, _, files in os.walk(os.path.join(self.root, "lib")):
            for name in [f for f in files if f.endswith(".c")]:
                source = os.path.join(folder, name)
                objects.append(source + ".o")
                command = ["cc", "-std=c17", "-O2", "-fno-builtin", "-fno-common", "-I", self.root]
                subprocess.run(command + ["-c", source, "-o", objects[-1]], check=True)
        self.archive = os.path.join(self.root, "build", "libcore.a")
        os.makedirs(os.path.dirname(self.archive), exist_ok=True)
        if os.path.exists(self.archive):
            os.remove(self.archive)
        subprocess.run(["ar", "rcs", self.archive] + objects, check=True)
        for name in objects:
            os.remove(name)

    def found(self):
        tree = rules.Tree(self.root, self.archive)
        return [f for rule in rules.RULES for f in rule(tree)]

    def check(self, rule, path, count=1):
        found = self.found()
        listing = "\n".join(map(str, found))
        self.assertEqual([f.rule for f in found], [rule] * count, listing)
        for finding in found:
            self.assertIn(path, finding.path, listing)

    def body(self, lines, before=""):
        """A source with one function whose body these lines are."""
        text = '#include "lib/dose/thing.h"\n\n' + before
        text += "int64_t thing_twice(int64_t n)\n{\n" + "".join(lines) + "    return n;\n}\n"
        self.write("lib/dose/thing.c", text)

    def test_the_good_tree_is_silent(self):
        self.build()
        self.assertEqual(list(map(str, self.found())), [])

    def test_an_include_that_points_up(self):
        self.write("lib/base/units.h", '/* Units. */\n#include "lib/dose/thing.h"\n')
        self.check("include", "lib/base/units.h")

    def test_an_include_between_equals(self):
        self.write("lib/sense/a.h", "/* A. */\n")
        self.write("lib/dose/b.h", '/* B. */\n#include "lib/sense/a.h"\n')
        self.check("include", "lib/dose/b.h")

    def test_an_include_of_the_shell_in_lib(self):
        self.write("daemon/base/a.h", "/* A. */\n")
        self.write("lib/dose/b.h", '/* B. */\n#include "daemon/base/a.h"\n')
        self.check("include", "lib/dose/b.h")

    def test_an_include_that_is_not_from_the_top(self):
        self.write("lib/dose/b.h", '/* B. */\n#include "thing.h"\n')
        self.check("include", "lib/dose/b.h")

    def test_the_model_in_the_daemon(self):
        self.write("lib/plant/a.h", "/* A. */\n")
        self.write("daemon/rig/water.h", '/* B. */\n#include "lib/plant/a.h"\n')
        self.assertEqual(self.found(), [])
        self.write("daemon/run/loop.h", '/* B. */\n#include "lib/plant/a.h"\n')
        self.check("include", "daemon/run/loop.h")

    def test_the_order_of_rooms(self):
        self.write("daemon/tool/a.h", "/* A. */\n")
        self.write("daemon/rig/b.h", '/* B. */\n#include "daemon/tool/a.h"\n')
        self.assertEqual(self.found(), [])
        self.write("daemon/base/c.h", '/* C. */\n#include "daemon/tool/a.h"\n')
        self.check("include", "daemon/base/c.h")

    def test_a_room_without_a_place_in_the_order(self):
        self.write("daemon/base/a.h", "/* A. */\n")
        self.write("daemon/attic/b.h", '/* B. */\n#include "daemon/base/a.h"\n')
        self.check("include", "daemon/attic/b.h")

    def test_a_file_outside_the_rooms(self):
        self.write("daemon/loose.h", "/* Loose. */\n")
        self.check("room", "daemon/loose.h")

    def test_what_plant_may_include(self):
        self.write("lib/chain/a.h", "/* A. */\n")
        self.write("lib/plant/b.h", '/* B. */\n#include "lib/chain/a.h"\n')
        self.assertEqual(self.found(), [])
        self.write("lib/core/c.h", '/* C. */\n#include "lib/plant/b.h"\n')
        self.check("include", "lib/core/c.h")

    def test_a_system_header_in_lib(self):
        self.write("lib/dose/b.h", "/* B. */\n#include <stdio.h>\n")
        self.check("include", "lib/dose/b.h")

    def test_calls_that_lib_may_not_make(self):
        for call in ("clock()", "malloc(2) != 0", "rand_r(0)", "puts(0)", "exp(1.0) > 0", "exit(0)"):
            with self.subTest(call):
                name = call.split("(")[0]
                kind = "double" if name == "exp" else "void *" if name == "malloc" else "long"
                self.body(["    n += %s;\n" % call] if name != "exit" else ["    exit(0);\n"])
                source = os.path.join(self.root, "lib/dose/thing.c")
                with open(source, encoding="utf-8") as file:
                    text = file.read()
                declared = "extern %s%s%s();\n" % (kind, "" if kind[-1] == "*" else " ", name)
                self.write("lib/dose/thing.c", text.replace("\n\n", "\n\n" + declared, 1))
                self.build()
                found = [f for f in self.found() if f.rule == "symbol"]
                self.assertEqual([f.text for f in found], ["lib may not call " + name])

    def test_variables_in_lib(self):
        for row in ("int64_t kept;", "int64_t kept = 4;", "_Thread_local int64_t kept;"):
            with self.subTest(row):
                self.body(["    n += kept++;\n"], "static %s\n\n" % row)
                self.build()
                self.check("variable", "thing.c")

    def test_a_variable_inside_a_function(self):
        self.body(["    static int64_t kept;\n", "    n += kept++;\n"])
        self.build()
        self.check("variable", "thing.c")

    def test_a_file_that_is_too_long(self):
        self.write("lib/dose/thing.h", GOOD_HEADER.replace("\n#endif", "/* more */\n" * 589 + "\n#endif"))
        self.check("file-length", "lib/dose/thing.h")

    def test_a_function_that_is_too_long(self):
        self.body(["    n++;\n"] * 56)
        self.assertEqual(list(map(str, self.found())), [])
        self.body(["    n++;\n"] * 57)
        self.check("function-length", "lib/dose/thing.c")

    def test_a_const_table_is_exempt(self):
        row = "        1,\n"
        table = ["    static const int64_t t[] = {\n"] + [row] * 80 + ["    };\n", "    n += t[0];\n"]
        self.body(["    /* clang-format off */\n"] + table + ["    /* clang-format on */\n"])
        self.assertEqual(list(map(str, self.found())), [])
        self.body(["    /* clang-format off */\n"] + table + ["    n++;\n"] * 57)
        self.check("function-length", "lib/dose/thing.c")

    def test_too_many_parameters(self):
        call = "int64_t thing_sum(int a, int (*b)(int, int), int c, int d, int e, int f%s);\n"
        self.write("lib/dose/b.h", "/* B. */\n" + call % "")
        self.assertEqual(list(map(str, self.found())), [])
        self.write("lib/dose/b.h", "/* B. */\n" + call % ", int g")
        self.check("parameters", "lib/dose/b.h")

    def nest(self, openings, inner):
        lines = []
        for level, opening in enumerate(openings, 1):
            lines.append("    " * level + opening + " {\n")
        lines.append("    " * (len(openings) + 1) + inner + "\n")
        for level in range(len(openings), 0, -1):
            lines.append("    " * level + ("} while (n < 2);\n" if openings[level - 1] == "do" else "}\n"))
        self.body(lines)

    def test_nesting_that_is_too_deep(self):
        loop = "for (int i = 0; i < 2; i++)"
        self.nest(["if (n > 0)", loop, "do"], "if (n > 1) return 0;")
        self.assertEqual(list(map(str, self.found())), [])
        self.nest(["if (n > 0)", loop, "do", "while (n > 9)"], "n++;")
        self.check("nesting", "lib/dose/thing.c")
        self.nest(["if (n > 0)", "while (n > 1)", "switch (n)"], "default:\n        if (n > 1) {\n            n++;\n        }")
        self.assertIn("nesting", [f.rule for f in self.found()])

    def test_a_chain_of_else_if_is_one_level(self):
        chain = ["    if (n == 1) {\n        n++;\n    }"]
        for i in range(6):
            chain.append(" else if (n == %d) {\n        n++;\n    }" % i)
        self.body(chain + ["\n"])
        self.assertEqual(list(map(str, self.found())), [])

    def test_banned_words(self):
        for call in ("strcpy(a, b)", "sprintf(a, b)", "strcat(a, b)", "strtok(a, b)", "atoi(a)",
                     "atof(a)", "rand()", "localtime(a)", "system(a)", "alloca(n)", "time(a)"):  # fmt: skip
            with self.subTest(call):
                self.body(["    %s;\n" % call])
                self.check("banned", "lib/dose/thing.c")
        for fine in ("text_strcpy(a, b)", "n = a->time(b)", "n = time + 1"):
            self.body(["    %s;\n" % fine])
            self.assertEqual(list(map(str, self.found())), [])
        self.body(["    /* FIX" + "ME: later */\n"])
        self.check("banned", "lib/dose/thing.c")

    def test_a_note_to_self(self):
        self.body(["    // later\n"])
        self.check("comment", "lib/dose/thing.c")

    def test_a_prototype_without_a_comment(self):
        bare = GOOD_HEADER.replace("/* Twice 'n'. */\n", "")
        self.write("lib/dose/thing.h", bare)
        self.assertEqual(list(map(str, self.found())), [])  # the head of the file speaks for it
        self.write("lib/dose/thing.h", bare.replace("int64_t thing", "enum { A };\n\nint64_t thing"))
        self.check("prototype", "lib/dose/thing.h")
        group = "int64_t thing_twice(int64_t n);\nint64_t thing_thrice(int64_t n);\n"
        self.write("lib/dose/thing.h", GOOD_HEADER.replace("int64_t thing_twice(int64_t n);\n", group))
        self.assertEqual(list(map(str, self.found())), [])
        broken = group.replace("\nint64_t thing_thrice", "\n\nint64_t thing_thrice")
        self.write("lib/dose/thing.h", GOOD_HEADER.replace("int64_t thing_twice(int64_t n);\n", broken))
        self.check("prototype", "lib/dose/thing.h")
        beside = broken.replace("thrice(int64_t n);", "thrice(int64_t n); /* thrice */")
        self.write("lib/dose/thing.h", GOOD_HEADER.replace("int64_t thing_twice(int64_t n);\n", beside))
        self.assertEqual(list(map(str, self.found())), [])

    def test_what_clang_format_would_change(self):
        self.body(["    if (n>1) return 0;\n"])
        self.check("format", "lib/dose/thing.c")

    def test_a_stranger_at_the_top(self):
        self.write("scripts/build.sh", "true\n")
        self.check("top-level", "scripts")

    def test_a_link_to_nowhere(self):
        self.write("README.md", "See [this](docs/none.md).\n")
        self.check("link", "README.md")

    def test_the_guide_is_too_long(self):
        self.write("DEVELOPERS.md", "more\n" * 251)
        self.check("file-length", "DEVELOPERS.md")


class Measured(unittest.TestCase):
    """The measuring itself, where it could be blind."""

    def functions(self, text):
        return csource.functions_of(csource.tokens_of(text))

    def test_tests_are_functions(self):
        found = self.functions("START_TEST(a_name)\n{\n    int a = 1;\n}\nEND_TEST\n\nvoid f(void)\n{\n}\n")
        self.assertEqual([(f.name, f.end_line - f.line + 1) for f in found], [("a_name", 4), ("f", 3)])

    def test_attributes_and_initialisers_are_not_functions(self):
        text = "static const struct a b = { .c = d(1) };\nint (*p)(int);\n"
        text += 'void f(int a) __attribute__((format(printf, 1, 2)));\nenum { A = sizeof(int) };\n'
        self.assertEqual([f.name for f in self.functions(text)], ["f"])

    def test_directives_and_strings_hide_braces(self):
        text = '#define X(a) \\\n    { a\n/* { */\nint f(void)\n{\n    return "}{"[0] + \'{\';\n}\n'
        self.assertEqual([(f.name, f.end_line) for f in self.functions(text)], [("f", 7)])


if __name__ == "__main__":
    sys.exit(unittest.main())
