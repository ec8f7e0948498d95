"""How results show themselves in a notebook: a line of what they are, or a small table; never thousands of numbers."""

from __future__ import annotations

from html import escape


class Summarised:
    """A result with a short repr and a table in a notebook; subclasses say what stands there."""

    def summary(self) -> dict[str, object]:
        """Return what is worth a line: name -> value. Raises NotImplementedError where a subclass says nothing."""
        raise NotImplementedError

    def __repr__(self) -> str:
        """Return one line."""
        return f"{type(self).__name__}({', '.join(f'{name}: {value}' for name, value in self.summary().items())})"

    def _repr_html_(self) -> str:
        left = "style='text-align:left'"
        rows = "".join(
            f"<tr><th {left}>{escape(name)}</th><td {left}>{escape(str(value))}</td></tr>"
            for name, value in self.summary().items()
        )
        return f"<table><caption>{escape(type(self).__name__)}</caption>{rows}</table>"
