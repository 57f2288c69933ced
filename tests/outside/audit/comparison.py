"""What is held against what, how far apart it may be, and what was found."""

from decimal import Decimal


class Comparison:
    def __init__(self, family):
        self.family, self.compared, self.equal, self.largest, self.lines = family, 0, 0, 0.0, []

    def same(self, what, ours, theirs, rows=""):
        """Anything that is equal or not: codes, days, flags, whole grams, exact money."""
        self.compared += 1
        if ours == theirs:
            self.equal += 1
        else:
            self.lines.append(f"{self.family}: {what}: rows give {ours}, the interface {theirs}{rows and f' ({rows})'}")

    def number(self, what, ours, theirs, within, rows=""):
        """Numbers that may be apart by `within`; nothing on one side only is apart."""
        self.compared += 1
        if ours is None or theirs is None:
            apart = 0.0 if ours is theirs else float("inf")
        else:
            apart = abs(float(ours) - float(theirs))
            self.largest = max(self.largest, apart)
        if apart <= within:
            self.equal += 1
        else:
            self.lines.append(
                f"{self.family}: {what}: rows give {ours}, the interface {theirs}, apart {apart:.6g}, allowed {within}{rows and f' ({rows})'}"
            )

    def money(self, what, ours, theirs, within=Decimal(0), rows=""):
        self.number(what, ours, None if theirs is None else Decimal(theirs), float(within), rows)

    def field(self, answer, name):
        """A field that the interface must have."""
        if name not in answer:
            self.compared += 1
            self.lines.append(f"{self.family}: the interface has no {name}")
            return None
        return answer[name]

    def summary(self):
        return f"{self.family}: compared {self.compared}, equal {self.equal}, largest difference {self.largest:.3g}"
