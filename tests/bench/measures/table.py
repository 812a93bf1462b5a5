"""Rows of one run: what was measured, the peer's, their ratio, and what it should be."""

HEADS = ("measure", "value", "peer", "ratio", "bar", "reached")


def number(value, unit):
    if value is None:
        return "?"
    places = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return ("%.*f %s" % (places, value, unit)).strip()


class Table:
    def __init__(self):
        self.rows = []

    def add(self, measure, value, unit, peer=None, bar=None, of_ratio=False, least=False):
        """'bar' holds for the ratio to the peer's or for the value: no more than that, or with 'least' no less.
        Prints the row as it comes, too, as a long run shows what it does."""
        ratio = value / peer if peer and value is not None else None
        judged = ratio if of_ratio else value
        reached = ""
        if bar is not None:
            kept = judged is not None and (judged >= bar if least else judged <= bar)
            reached = "yes" if kept else "NO"
        sign = "at least " if least else "at most "
        row = (
            measure,
            number(value, unit),
            number(peer, unit) if peer is not None else "",
            "%.2f" % ratio if ratio is not None else "",
            "" if bar is None else sign + (("%g times" % bar) if of_ratio else ("%g %s" % (bar, unit)).strip()),
            reached,
        )
        self.rows.append(row)
        print("  " + "  ".join(w for w in row if w), flush=True)

    def markdown(self):
        lines = ["| %s |" % " | ".join(HEADS), "|%s" % (" --- |" * len(HEADS))]
        return "\n".join(lines + ["| %s |" % " | ".join(row) for row in self.rows])
