# Makes a man page (mdoc) from a frame and one of our pages in Markdown, so that there is one text:
#
#     awk -f docs/man/page.awk docs/man/dosewright.yaml.5.in > dosewright.yaml.5
#
# The frame is copied; where it has a line @PATH@, the page PATH comes, from its first blank line on: what
# stands above that is the title. Known are paragraphs, headings, lists, tables and code, as our pages
# use them. A table becomes a list: a row's first cell is the item, of the second one the text is the
# words, and any further ones carry their column's name.

function escape(s) {
    gsub(/\\/, "\\e", s)
    gsub(/…/, "...", s)
    gsub(/°/, "\\[u00B0]", s)
    return s
}

# Bold for `code` and **what is strong**; of links the words, and a page's name behind them.
function inline(s,    out, i, n, part) {
    while (match(s, /\[[^]]*\]\([^)]*\)/)) {
        part = substr(s, RSTART + 1, RLENGTH - 1)
        sub(/\].*/, "", part)
        s = substr(s, 1, RSTART - 1) part substr(s, RSTART + RLENGTH)
    }
    s = escape(s)
    n = split(s, piece, "`")
    out = ""
    for (i = 1; i <= n; i++) {
        part = piece[i]
        if (i % 2 == 0) {
            gsub(/-/, "\\-", part)
            part = "\\fB" part "\\fR"
        } else {
            while (match(part, /\*\*/)) {
                part = substr(part, 1, RSTART - 1) (strong ? "\\fR" : "\\fB") substr(part, RSTART + 2)
                strong = !strong
            }
        }
        out = out part
    }
    return out
}

# A line of text may not begin as a request does, nor have blanks at its end; a sentence begins a line.
function text(s,    at) {
    s = inline(s)
    while (match(s, /[.!?] +[A-Z\\(*]/)) {
        at = RSTART
        s = substr(s, 1, at) "\n" substr(s, at + RLENGTH - 1)
    }
    sub(/^[ \t]+/, "", s)
    sub(/[ \t]+$/, "", s)
    if (s ~ /^[.']/) s = "\\&" s
    if (s != "") print s
}

# An argument of a macro: one word that is no macro's name.
function quoted(s) {
    gsub(/"/, "\\(dq", s)
    return "\"\\&" s "\""
}

function begin(wanted) {
    if (now == wanted) return
    if (now == "bullet" || now == "enum" || now == "table") print ".El"
    if (now == "code") print ".Ed"
    now = wanted
    strong = 0
    if (wanted == "bullet") print ".Bl -bullet"
    if (wanted == "enum") print ".Bl -enum"
    if (wanted == "table") print ".Bl -tag -width Ds"
    if (wanted == "code") print ".Bd -literal -offset indent"
    if (wanted == "text" && !fresh) print ".Pp"
    fresh = 0
}

function code(s) {
    s = escape(s)
    gsub(/-/, "\\-", s)
    print s ~ /^[.']/ ? "\\&" s : s
}

# A | that is part of `code` stands as it is in our tables only behind a backslash.
function row(s,    n, i, cells) {
    gsub(/\\\|/, "\001", s)
    sub(/^\| */, "", s)
    sub(/ *\|$/, "", s)
    n = split(s, cell, / *\| */)
    for (i = 1; i <= n; i++) gsub("\001", "|", cell[i])
    return n
}

function table(s,    n, i) {
    n = row(s)
    if (now != "table") {
        for (i in column) delete column[i]
        for (i = 1; i <= n; i++) column[i] = cell[i]
        begin("table")
        return
    }
    if (s ~ /^\|[-:| ]*\|$/ && s ~ /---/) return
    strong = 0
    if (cell[1] != "") print ".It " quoted(inline(cell[1]))
    else print ".br"
    for (i = 2; i <= n; i++) {
        if (cell[i] == "") continue
        if (i > 2) print ".br"
        text((i > 2 ? column[i] ": " : "") cell[i])
    }
}

function heading(s) {
    begin("")
    fresh = 1
    sub(/ +$/, "", s)
    if (s ~ /^## /) print ".Sh " quoted(toupper(substr(s, 4)))
    else print ".Ss " quoted(inline(substr(s, 5)))
}

function line(s) {
    if (s ~ /^```/) {
        fenced = !fenced
        begin(fenced ? "code" : "")
    } else if (fenced) {
        code(s)
    } else if (s ~ /^#/) {
        heading(s)
    } else if (s ~ /^\|/) {
        table(s)
    } else if (s ~ /^[ \t]*$/) {
        blank = 1
        return
    } else if (s ~ /^    / && (now == "code" || blank) && now != "bullet" && now != "enum") {
        if (now == "code" && blank) print ""
        begin("code")
        code(substr(s, 5))
    } else if (s ~ /^- /) {
        begin("bullet")
        print ".It"
        strong = 0
        text(substr(s, 3))
    } else if (s ~ /^[0-9]+\. /) {
        begin("enum")
        print ".It"
        strong = 0
        sub(/^[0-9]+\. /, "", s)
        text(s)
    } else if (s ~ /^  / && !blank && (now == "bullet" || now == "enum")) {
        text(s)
    } else {
        if (blank && now == "text") begin("")
        begin("text")
        text(s)
    }
    blank = 0
}

function page(path,    s, begun, ok) {
    now = ""
    fenced = blank = begun = 0
    fresh = 1
    while ((ok = (getline s < path)) > 0) {
        if (begun) line(s)
        else if (s ~ /^$/) begun = 1
    }
    close(path)
    begin("")
    if (ok < 0 || !begun) {
        print "page.awk: " path " can't be read" >"/dev/stderr"
        failed = 1
        exit 1
    }
}

/^@.*@$/ { page(substr($0, 2, length($0) - 2)); next }
{ print }
END { exit failed }
