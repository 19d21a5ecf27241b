"""Layouts: how a raw file is written down, in the terms of CSV on the Web (W3C).

The keys are those of the CSVW dialect and table schema. What the standard lacks and a field
needs is ours and said so in each docstring: a units row, fixed column widths, numeric
sentinels, columns known by position, and the rule for columns not listed.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field


class LayoutModel(BaseModel):
    """Frozen, strict; keys may be written as CSVW spells them (camelCase)."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Dialect(LayoutModel):
    """CSVW dialect. ``delimiter`` None with column widths means fixed columns; " +" (ours)
    means any run of blanks. ``units_row`` (ours) is the number, among the header rows, of the
    row that states units. Every default is the standard's, except ``trim``, which the
    standard's own text leaves open.
    """

    encoding: str = "utf-8"
    delimiter: str | None = ","
    quote_char: str | None = Field('"', alias="quoteChar")
    double_quote: bool = Field(True, alias="doubleQuote")
    skip_rows: int = Field(0, alias="skipRows", ge=0)
    header_row_count: int = Field(1, alias="headerRowCount", ge=0, le=10)
    title_row: int = Field(1, alias="titleRow", ge=0)  # ours: which header row names columns
    units_row: int | None = Field(None, alias="unitsRow")  # ours
    comment_prefix: str | None = Field(None, alias="commentPrefix")
    skip_blank_rows: bool = Field(True, alias="skipBlankRows")
    trim: bool = True


class Datatype(LayoutModel):
    """CSVW datatype: ``format`` is a UAX #35 date pattern; numbers state their characters."""

    base: Literal["number", "dateTime", "date", "time", "string", "dayOfYear", "hhmm"] = (
        "number"
    )
    format: str | None = None
    decimal_char: str = Field(".", alias="decimalChar")
    group_char: str | None = Field(None, alias="groupChar")


class Column(LayoutModel):
    """One column. ``titles`` is the text in the header row; without a header, ``number``
    (ours, from 1) or the order of the columns tells them apart. ``role`` (ours) says which
    columns make the time stamp and, in long form, which holds the channel and which the value.
    """

    name: str
    titles: str | None = None
    number: int | None = Field(None, ge=1)
    width: int | None = Field(None, ge=1)  # ours: fixed columns
    datatype: Datatype = Datatype()
    null: tuple[str, ...] | None = None
    sentinels: tuple[float, ...] | None = None  # ours: numbers that mean "no value"
    role: Literal["channel", "stamp", "key", "value", "ignore"] = "channel"


class TableSchema(LayoutModel):
    """The columns, and the rule (ours) for columns of the file that are not listed.

    ``others`` "channels" makes every other column a channel named by its title, read as
    ``others_datatype``; "ignore" leaves them out.
    """

    columns: tuple[Column, ...] = ()
    others: Literal["channels", "ignore"] = "channels"
    others_datatype: Datatype = Field(Datatype(), alias="othersDatatype")
    null: tuple[str, ...] = ("",)
    sentinels: tuple[float, ...] = ()  # ours


class TranscriptForm(LayoutModel):
    """How a bus transcript is written down (all ours: no standard describes a log of SDI-12).

    ``stamp`` is the UAX #35 pattern of the time in front of each line, ``separator`` what
    follows it. ``sent`` and ``received`` mark the direction; empty where the log has no marks.
    """

    encoding: str = "ascii"
    stamp: str = "yyyy-MM-dd HH:mm:ss"
    separator: str = " "
    sent: str = ">"
    received: str = "<"
    comment_prefix: str | None = Field("#", alias="commentPrefix")


class RoundsForm(LayoutModel):
    """How a book of hand rounds is written down (ours)."""

    unit: str = "%"
    quantity: Literal["water_content", "voltage", "permittivity", "root_permittivity"] = (
        "water_content"
    )


class Layout(LayoutModel):
    """One layout: a delimited table, a transcript, or a book of rounds."""

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]
    title: str = ""
    dialect: Dialect = Dialect()
    table_schema: TableSchema = Field(TableSchema(), alias="tableSchema")
    transcript: TranscriptForm | None = None
    rounds: RoundsForm | None = None
