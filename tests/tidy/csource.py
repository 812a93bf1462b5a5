"""Enough of C to measure it: tokens with their lines, functions, prototypes, nesting.

It reads the house's own formatted C17, not C in general: a preprocessor line is one token, and
macros aren't expanded.
"""

import re

TOKEN = re.compile(
    r"""(?P<comment>/\*.*?\*/|//[^\n]*)
      | (?P<directive>^[ \t]*\#(?:[^\n\\]|\\.)*?(?=/\*|//|\n|\Z))
      | (?P<string>(?:u8|[uUL])?"(?:[^"\\\n]|\\.)*"|[uUL]?'(?:[^'\\\n]|\\.)*')
      | (?P<word>[A-Za-z_]\w*)
      | (?P<number>\.?\d(?:[eEpP][+-]|[\w.])*)
      | (?P<punct>\.\.\.|->|<<=|>>=|\+\+|--|[-+*/%&|^=!<>]=|&&|\|\||<<|>>|[^\s\w])""",
    re.VERBOSE | re.DOTALL | re.MULTILINE,
)

OPEN = {"(": ")", "[": "]", "{": "}"}
CONTROL = ("if", "for", "while", "switch", "do")


class Token:
    __slots__ = ("kind", "text", "line", "end_line")

    def __init__(self, kind, text, line):
        self.kind = kind
        self.text = text
        self.line = line
        self.end_line = line + text.count("\n")


class Function:
    """A definition or a prototype. 'line' is where its declaration begins."""

    def __init__(self, name, line, end_line, parameters, body):
        self.name = name
        self.line = line
        self.end_line = end_line
        self.parameters = parameters
        self.body = body  # tokens within the braces; None for a prototype


def tokens_of(text):
    """Every token of a source, comments and directives too."""
    found = []
    line = 1
    at = 0
    for match in TOKEN.finditer(text):
        line += text.count("\n", at, match.start())
        at = match.start()
        found.append(Token(match.lastgroup, match.group(), line))
    return found


def code_of(tokens):
    return [t for t in tokens if t.kind not in ("comment", "directive")]


def closing(tokens, at):
    """The index of the bracket that closes the one at 'at'."""
    depth = 0
    for i in range(at, len(tokens)):
        text = tokens[i].text
        if text in OPEN:
            depth += 1
        elif text in (")", "]", "}"):
            depth -= 1
            if depth == 0:
                return i
    return len(tokens) - 1


def parameter_count(tokens, at):
    """Of the parameter list whose "(" is at 'at'; "..." isn't counted."""
    end = closing(tokens, at)
    inner = tokens[at + 1 : end]
    if not inner or (len(inner) == 1 and inner[0].text == "void"):
        return 0
    count = 1
    depth = 0
    for token in inner:
        if token.text in OPEN:
            depth += 1
        elif token.text in (")", "]", "}"):
            depth -= 1
        elif token.text == "," and depth == 0:
            count += 1
    return count - 1 if inner[-1].text == "..." else count


def head_of(declaration):
    """(name, index of its parameter list) if these tokens declare a function, else None."""
    if not declaration or declaration[0].text in ("typedef", "_Static_assert"):
        return None
    i = 0
    while i < len(declaration):
        text = declaration[i].text
        if text == "__attribute__":
            i = closing(declaration, i + 1) + 1
            continue
        if text in ("=", "{"):
            return None
        if text == "(":
            before = declaration[i - 1] if i > 0 else None
            after = declaration[i + 1].text if i + 1 < len(declaration) else ""
            if before is None or before.kind != "word" or after == "*":
                return None
            if before.text == "START_TEST":
                return declaration[i + 1].text, i
            return before.text, i
        i += 1
    return None


def functions_of(tokens):
    """The definitions and the prototypes of a source, at file level."""
    code = code_of(tokens)
    found = []
    start = 0
    i = 0
    while i < len(code):
        text = code[i].text
        if text == "END_TEST":
            start = i + 1
        elif text == ";":
            head = head_of(code[start:i])
            if head:
                count = parameter_count(code, start + head[1])
                found.append(Function(head[0], code[start].line, code[i].line, count, None))
            start = i + 1
        elif text == "{":
            end = closing(code, i)
            head = head_of(code[start:i])
            if head:
                count = parameter_count(code, start + head[1])
                body = code[i + 1 : end]
                found.append(
                    Function(head[0], code[start].line, code[end].line, count, body)
                )
                start = end + 1
            i = end
        i += 1
    return found


def table_lines(body):
    """How many lines of a body are initialisers of const tables."""
    lines = 0
    for i in range(len(body) - 1):
        if body[i].text != "=" or body[i + 1].text != "{":
            continue
        j = i
        while j > 0 and body[j - 1].text not in (";", "{", "}"):
            j -= 1
        words = {t.text for t in body[j:i]}
        if "const" in words and "[" in words:
            end = closing(body, i + 1)
            lines += max(0, body[end].line - body[i + 1].line - 1)
    return lines


def skip_simple(code, i):
    """Past the ";" of a statement that isn't a control statement."""
    while i < len(code) and code[i].text != ";":
        i = closing(code, i) + 1 if code[i].text in OPEN else i + 1
    return i + 1


def nesting_of(body):
    """The deepest level of control statements. A guard of one line adds no level of its own."""
    deepest = 0

    def inner(i, depth):
        """The statement that a control statement at 'depth' governs."""
        if i < len(body) and (body[i].text == "{" or body[i].text in CONTROL):
            return statement(i, depth + 1, governed=True)
        return statement(i, depth, governed=True)

    def block(i, depth):
        end = closing(body, i)
        i += 1
        while i < end:
            i = statement(i, depth)
        return end + 1

    def labelled(i):
        if body[i].text in ("case", "default"):
            while body[i].text != ":":
                i += 1
            return i + 1
        return None

    def statement(i, depth, governed=False):
        nonlocal deepest
        if i >= len(body):
            return i
        text = body[i].text
        after_label = labelled(i)
        if after_label is not None:
            return after_label
        if text == "{":
            level = depth if governed else depth + 1
            deepest = max(deepest, level)
            return block(i, level)
        if text == "if":
            deepest = max(deepest, depth)
            i = inner(closing(body, i + 1) + 1, depth)
            if i < len(body) and body[i].text == "else":
                if body[i + 1].text == "if":
                    return statement(i + 1, depth)
                return inner(i + 1, depth)
            return i
        if text == "do":
            i = inner(i + 1, depth)
            return skip_simple(body, i)
        if text in ("for", "while", "switch"):
            deepest = max(deepest, depth)
            return inner(closing(body, i + 1) + 1, depth)
        if body[i].kind == "word" and i + 1 < len(body) and body[i + 1].text == "(":
            end = closing(body, i + 1)
            if end + 1 < len(body) and body[end + 1].text == "{":
                return inner(end + 1, depth)  # a macro that loops
        return skip_simple(body, i)

    i = 0
    while i < len(body):
        i = statement(i, 0)
    return deepest
