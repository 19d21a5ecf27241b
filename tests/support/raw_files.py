"""Raw files by the layouts of the invented site (tests/site/field), and remarks on them."""

from datetime import datetime, timedelta

from pipeline.accounts.inventory import look
from pipeline.site.load import load_site

START = datetime(2023, 9, 2)
COLUMNS = {"mV_1": ("mV", 412.5), "mV_2": ("mV", 388.1), "rain": ("mm", 0.0)}


def table(columns=None, minutes=15, rows=40, start=START, order=None):
    """Return an export: semicolons, decimal comma, titles and a row of units."""
    columns = COLUMNS if columns is None else columns
    lines = [
        ";".join(["Time", *columns]),
        ";".join(["", *(unit for unit, _ in columns.values())]),
    ]
    values = ";".join(f"{value}".replace(".", ",") for _, value in columns.values())
    for row in order or range(rows):
        lines.append(f"{start + timedelta(minutes=minutes * row):%d.%m.%Y %H:%M};{values}")
    return "\n".join(lines) + "\n"


def bus(channels="0+2.5+2.6+11.5", minutes=15, rows=10):
    """Return a transcript of one address that is asked for one measurement again and again."""
    lines = []
    for row in range(rows):
        stamp = f"{START + timedelta(minutes=minutes * row):%Y-%m-%d %H:%M:%S}"
        count = channels.count("+")
        lines += [f">{'0M!'}", f"<0000{count}", ">0D0!", f"<{channels}"]
        lines[-4:] = [f"{stamp} {line}" for line in lines[-4:]]
    return "\n".join(lines) + "\n"


def told(make_site, files=None, edits=None, now=None, whole=False):
    """Return what is said of the invented site with some raw files and edits."""
    folder = make_site(edits)
    raw = {"logger-a/sep.csv": table(), "bus/sep.log": bus(), **(files or {})}
    for name, content in raw.items():
        path = folder / "data" / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return [str(problem) for problem in look(load_site(folder), now, whole)]
