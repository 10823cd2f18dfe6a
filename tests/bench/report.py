"""The bench's report: one markdown table a part, and its bars as one SVG."""

from html import escape
from pathlib import Path

from tests.bench.rounds import Section

RESULTS = Path(__file__).with_name("results.md")
PLOT = Path(__file__).with_name("results.svg")
_WIDTH, _LINE, _LABEL, _BAR = 760, 24, 190, 430


def write_report(sections: list[Section], machine: str, command: str) -> str:
    """Return the report as markdown."""
    lines = [
        "# Measured by `make bench`",
        "",
        f"`{command}` on {machine}.",
        "Medians of interleaved rounds, the lowest and highest in brackets.",
        "What else ran on the machine shows in the load and in the spread.",
        "",
        f"![The same as bars]({PLOT.name})",
    ]
    for section in sections:
        lines += ["", f"## {section.title}", ""]
        lines += ["| what | measured | target | met |", "|---|---|---|---|"]
        lines += [
            f"| {row.what} | {row.figure} | {row.target} | {_MET[row.met]} |"
            for row in section.rows
        ]
        if section.note:
            lines += ["", section.note]
    return "\n".join(lines) + "\n"


_MET = {True: "yes", False: "**no**", None: ""}


def draw_bars(sections: list[Section]) -> str:
    """Return the bars of every section as one SVG; each section has a scale of its own."""
    parts: list[str] = []
    top = 10
    for section in sections:
        if not section.bars:
            continue
        title = f"{section.title} ({section.bar_unit})" if section.bar_unit else section.title
        parts.append(f'<text x="10" y="{top + 16}" class="title">{escape(title)}</text>')
        top += _LINE + 4
        most = max(value for _, value in section.bars) or 1.0
        for name, value in section.bars:
            width = _BAR * value / most
            parts += [
                f'<text x="{_LABEL - 8}" y="{top + 16}" class="name">{escape(name)}</text>',
                f'<rect x="{_LABEL}" y="{top + 4}" width="{width:.1f}" height="{_LINE - 8}"/>',
                f'<text x="{_LABEL + width + 8:.1f}" y="{top + 16}">{value:,.0f}</text>',
            ]
            top += _LINE
        top += 14
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {top}" '
        f'width="{_WIDTH}" height="{top}" role="img" aria-label="Measured by make bench">\n'
        "<style>text{font:13px sans-serif;fill:#1b2126}.title{font-weight:600}"
        ".name{text-anchor:end}rect{fill:#2f7d8c}svg{background:#fff}</style>\n"
        f'<rect width="{_WIDTH}" height="{top}" style="fill:#fff"/>\n'
        + "\n".join(parts)
        + "\n</svg>\n"
    )
