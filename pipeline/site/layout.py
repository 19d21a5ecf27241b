"""Layouts: how a raw file is written down, in the terms of CSV on the Web (W3C).

The keys are those of the CSVW dialect and table schema. What the standard lacks and a field
needs is ours and said so in each docstring: a units row, fixed column widths, numeric
sentinels, columns known by position, and the rule for columns not listed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from pipeline.site.patterns import pattern_tokens

# Bases of a stamp column that are written by a date pattern, and those that are numbers.
PATTERN_BASES = ("dateTime", "date", "time")
COUNTED_BASES = ("dayOfYear", "hhmm", "epochSeconds", "epochMilliseconds", "serialDay")

NUMBER_ROLES = ("channel", "value", "counter")


def _known_encoding(name: str) -> str:
    """Refuse an encoding that is unknown or no encoding of text."""
    try:
        "".encode(name)  # b"".decode would not look the name up
    except LookupError:
        raise ValueError(
            f"{name!r} is no text encoding; use 'utf-8', 'utf-16', 'latin-1', 'cp1252' ..."
        ) from None
    return name


# Characters as people call them, and how TOML writes them.
_NAMED_CHARACTERS = {
    **dict.fromkeys(("comma", "komma"), '","'),
    **dict.fromkeys(("semicolon", "semikolon"), '";"'),
    **dict.fromkeys(("point", "dot", "period", "punkt"), '"."'),
    **dict.fromkeys(("tab", "tabulator", "\\t"), '"\\t"'),
    **dict.fromkeys(("space", "blank", "blanks", "whitespace"), '" +"'),
}


def _one_ascii_character(text: str | None) -> str | None:
    """Refuse what a byte scanner cannot tell from other text."""
    if text is not None and (len(text) != 1 or not text.isascii()):
        meant = _NAMED_CHARACTERS.get(text.casefold())
        hint = f"; write {meant}" if meant else ""
        raise ValueError(f"{text!r} must be one ASCII character{hint}")
    return text


def _known_delimiter(text: str | None) -> str | None:
    """Refuse delimiters other than one character, a run of blanks or fixed columns."""
    return text if text == " +" else _one_ascii_character(text)


def _absent_if_empty(value: object) -> object:
    """Return None for an empty text, since TOML has no null."""
    return None if value == "" else value


AsciiCharacter = AfterValidator(_one_ascii_character)
EmptyIsAbsent = BeforeValidator(_absent_if_empty)


class LayoutModel(BaseModel):
    """Frozen, strict; keys may be written as CSVW spells them (camelCase)."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Dialect(LayoutModel):
    """CSVW dialect: how the bytes fall into lines and fields.

    ``delimiter`` None (in TOML "", as for the quote character and the comment prefix) with
    column widths means fixed columns; " +" (ours) any run of blanks. ``title_row`` (ours) is
    the header row that names the columns, ``units_row`` (ours) the one that states units.
    Comments and, with ``skip_blank_rows``, blank lines are not counted among the header rows
    (the standard counts them), so that a comment more does no harm.
    Every default is the standard's, except ``trim``, which the standard's text leaves open.
    """

    encoding: Annotated[str, AfterValidator(_known_encoding)] = "utf-8"
    delimiter: Annotated[str | None, EmptyIsAbsent, AfterValidator(_known_delimiter)] = ","
    quote_char: Annotated[str | None, EmptyIsAbsent, AsciiCharacter] = Field(
        default='"', alias="quoteChar"
    )
    double_quote: bool = Field(default=True, alias="doubleQuote")
    skip_rows: int = Field(default=0, alias="skipRows", ge=0)
    header_row_count: int = Field(default=1, alias="headerRowCount", ge=0, le=10)
    title_row: int = Field(default=1, alias="titleRow", ge=0)  # ours
    units_row: int | None = Field(default=None, alias="unitsRow")  # ours
    comment_prefix: Annotated[str | None, EmptyIsAbsent] = Field(
        default=None, alias="commentPrefix"
    )
    footer_prefixes: tuple[Annotated[str, Field(min_length=1)], ...] = Field(
        default=(), alias="footerPrefixes", max_length=20
    )  # ours
    skip_blank_rows: bool = Field(default=True, alias="skipBlankRows")
    trim: bool = True


class Datatype(LayoutModel):
    """CSVW datatype: ``format`` is a UAX #35 date pattern; numbers state their characters.

    Ours are the bases of stamp columns that count: ``dayOfYear`` (1 to 366, a fraction is the
    time of day), ``hhmm`` (600 is six o'clock, 2400 the midnight that ends the day),
    ``epochSeconds`` and ``epochMilliseconds`` since 1970, and ``serialDay`` of a spreadsheet
    (``format`` "1900" or "1904" names its system). ``months`` are the twelve names in the
    file's language, for the letters MMM. Numbers with a ``group_char`` must have groups of
    three digits.
    """

    base: Literal[
        "number", "dateTime", "date", "time", "string", "dayOfYear", "hhmm",
        "epochSeconds", "epochMilliseconds", "serialDay",
    ] = "number"  # fmt: skip
    format: str | None = None
    decimal_char: Annotated[str, AsciiCharacter] = Field(default=".", alias="decimalChar")
    group_char: str | None = Field(default=None, alias="groupChar", min_length=1, max_length=1)
    months: tuple[str, ...] | None = Field(default=None, min_length=12, max_length=12)


class Column(LayoutModel):
    """One column, and what it holds.

    ``titles`` is the text in the header row, ``name`` stands in for it; without a header,
    ``number`` (ours, from 1) or the order of the columns tells them apart. In fixed columns
    the last may leave its ``width`` out and goes on to the end of the line. ``role`` (ours)
    says which columns make the time stamp and, in long form, which hold the channel
    (several are joined by "/") and which the value. A "counter" numbers the logger's records;
    it is no reading, but helps to find its place when the clock failed.

    ``null`` and ``sentinels`` replace the table's; an empty cell never holds a value.
    """

    name: str
    titles: str | None = None
    number: int | None = Field(default=None, ge=1)
    width: int | None = Field(default=None, ge=1)  # ours: fixed columns
    datatype: Datatype = Datatype()
    null: tuple[str, ...] | None = None
    sentinels: tuple[float, ...] | None = None  # ours: numbers that mean "no value"
    role: Literal["channel", "stamp", "key", "value", "counter", "ignore"] = "channel"


class TableSchema(LayoutModel):
    """The columns, and the rule (ours) for columns of the file that are not listed.

    ``others`` "channels" makes every other column a channel named by its title, read as
    ``others_datatype``; "ignore" leaves them out.
    """

    columns: tuple[Column, ...] = ()
    others: Literal["channels", "ignore"] = "channels"
    others_datatype: Datatype = Field(default=Datatype(), alias="othersDatatype")
    null: tuple[str, ...] = ("",)
    sentinels: tuple[float, ...] = ()  # ours


# A measurement command of SDI-12 and the number of values it brings.
ANSWER_PATTERN = r"^((M|C)C?[1-9]?|V|HA|RC?[0-9]):[1-9][0-9]{0,2}$"


class TranscriptForm(LayoutModel):
    """How a bus transcript is written down (all ours: no standard describes a log of SDI-12).

    ``stamp`` is the UAX #35 pattern of the time in front of each line (or behind it, by
    ``stamp_position``), ``separator`` what stands between. ``sent`` and ``received`` mark the
    direction; empty where the log has no marks. ``joined`` logs write a command and its reply
    on one line. ``answers`` is for logs that hold no commands: the measurements each sensor
    answers in one round, in order, with the number of values, as ``M:3`` or ``MC1:4``; a round
    lasts at most ``answers_within_s`` seconds, less than the time between rounds.
    ``sentinels`` are numbers by which sensors say "no value"; the standard has no word for it.
    """

    encoding: str = "ascii"
    stamp: str = "yyyy-MM-dd HH:mm:ss"
    stamp_position: Literal["before", "after"] = Field(default="before", alias="stampPosition")
    separator: str = " "
    sent: str = ">"
    received: str = "<"
    joined: bool = False
    answers: tuple[Annotated[str, Field(pattern=ANSWER_PATTERN)], ...] = ()
    answers_within_s: int = Field(default=60, alias="answersWithin", ge=1)
    sentinels: tuple[float, ...] = ()
    comment_prefix: str | None = Field(default="#", alias="commentPrefix")


class RoundsForm(LayoutModel):
    """How a book of hand rounds is written down (ours).

    The columns named ``tube``, ``direction``, ``reader`` and ``depth_cm`` say whose reading it
    is. Either one column has role "value" and ``depth_cm`` its depth, or every channel is a
    depth in centimetres, named by it: ``20``, ``20 cm``. ``directions`` are the angles
    [degree] of directions written as words or numbers of their own; any other must be an angle
    itself.
    """

    unit: str = "%"
    quantity: Literal["water_content", "voltage", "permittivity", "root_permittivity"] = (
        "water_content"
    )
    directions: dict[str, float] = {"1": 0.0, "2": 120.0, "3": 240.0}


class Layout(LayoutModel):
    """One layout: a delimited table, a transcript, or a book of rounds."""

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]
    title: str = ""
    dialect: Dialect = Dialect()
    table_schema: TableSchema = Field(default=TableSchema(), alias="tableSchema")
    transcript: TranscriptForm | None = None
    rounds: RoundsForm | None = None


def layout_faults(layout: Layout, kind: str) -> tuple[str, ...]:
    """Return what keeps a layout from being used for a source of ``kind``; empty if nothing.

    Each is a sentence that begins with the key it is about, for the message to a person.
    """
    if kind == "sdi12":
        return ()
    return (
        *_dialect_faults(layout.dialect, layout.table_schema.columns),
        *_stamp_faults(layout.table_schema.columns),
        *_role_faults(layout.table_schema),
    )


def _dialect_faults(dialect: Dialect, columns: tuple[Column, ...]) -> Iterator[str]:
    """Yield contradictions of header rows and widths."""
    rows = dialect.header_row_count
    if rows and not 1 <= dialect.title_row <= rows:
        yield f"dialect.titleRow: {dialect.title_row} is not among the {rows} header rows"
    if dialect.units_row is not None and not 1 <= dialect.units_row <= rows:
        yield f"dialect.unitsRow: {dialect.units_row} is not among the {rows} header rows"
    if dialect.delimiter is None:
        bare = [column.name for column in columns[:-1] if column.width is None]
        if bare or not columns:
            yield f"tableSchema.columns: fixed columns need a width, {bare} have none"
        if any(column.number is not None for column in columns):
            yield "tableSchema.columns: fixed columns are told by their order, not by number"


def _stamp_faults(columns: tuple[Column, ...]) -> Iterator[str]:
    """Yield why no instant can be made of the stamp columns."""
    stamps = [column for column in columns if column.role == "stamp"]
    letters = ""
    for column in stamps:
        datatype, place = column.datatype, f"column {column.name!r}: datatype"
        if datatype.base == "serialDay" and datatype.format not in (None, "1900", "1904"):
            yield f"{place}.format: a serialDay has format '1900' or '1904'"
        elif datatype.base not in (*PATTERN_BASES, *COUNTED_BASES):
            yield f"{place}.base: a stamp is one of {(*PATTERN_BASES, *COUNTED_BASES)}"
        try:
            letters += _stamp_letters(datatype)
        except ValueError as error:
            yield f"{place}.format: {error}"
            return
    if "*" not in letters and not (
        set("yu") & set(letters) and ({"M", "d"} <= set(letters) or "D" in letters)
    ):
        yield (
            "tableSchema.columns: the columns with role 'stamp' do not make a date; state "
            "year, month and day, or year and day of year, or one that counts from an epoch"
        )
    yield from _swapped_letters(letters)
    if set("hK") & set(letters) and "a" not in letters:
        yield "tableSchema.columns: a 12-hour clock (h, K) needs its half of the day (a)"


def _swapped_letters(letters: str) -> Iterator[str]:
    """Yield letters of one case that stand where those of the other belong."""
    hours = [letters.index(letter) for letter in "HkhK" if letter in letters]
    if hours and 0 <= letters.find("m") < min(hours):
        yield (
            "tableSchema.columns: minutes (mm) stand before the hours; months are MM, minutes "
            "mm, as in dd.MM.yyyy HH:mm"
        )
    if {"D", "M"} <= set(letters) and "d" not in letters:
        yield (
            "tableSchema.columns: D is the day of the year and stands beside a month; days of "
            "the month are d, as in dd.MM.yyyy"
        )


def _stamp_letters(datatype: Datatype) -> str:
    """Return the pattern letters a stamp column provides; "*" for an instant by itself."""
    counted = {"dayOfYear": "D", "hhmm": "Hm", "serialDay": "*"}
    if datatype.base in COUNTED_BASES:
        return counted.get(datatype.base, "*")
    if datatype.format is None:
        return {"date": "yMd", "time": "Hm"}.get(datatype.base, "yMdHm")
    return "".join(token.letter for token in pattern_tokens(datatype.format))


def _role_faults(schema: TableSchema) -> Iterator[str]:
    """Yield contradictions of the columns' roles."""
    names = [column.name for column in schema.columns]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f"tableSchema.columns: the name {name!r} is given twice"
    for column in schema.columns:
        if column.role in NUMBER_ROLES and column.datatype.base != "number":
            yield (
                f"column {column.name!r}: datatype.base: a {column.role} is a number; set "
                f"role = 'ignore' if it holds something else"
            )
    values = sum(column.role == "value" for column in schema.columns)
    keys = sum(column.role == "key" for column in schema.columns)
    if sum(column.role == "counter" for column in schema.columns) > 1:
        yield "tableSchema.columns: more than one column has role 'counter'"
    if values > 1 or (values == 1 and keys == 0):
        yield "tableSchema.columns: long form has one column of role 'value', and 'key's"
