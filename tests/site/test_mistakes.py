"""Each mistake a person makes in a site description is told with its file, line and a way out.

Expected lines are counted by hand in the files of tests/site/field.
"""

import pytest

from pipeline.errors import SiteError
from pipeline.site.load import load_site
from pipeline.site.text_files import read_text

# name: (file, (text, replacement), place, found, expected or advice)
MISTAKES = {
    # site.toml: keys and values
    "key": ("site.toml", ("institution", "instituton"), "line 6, key site.instituton",
            "unknown key 'instituton'", "Did you mean 'institution'?"),
    "key missing": ("site.toml", ('institution = "Example Institute"\n', ""),
                    "line 2, key site.institution", "nothing", "a value for 'institution'"),
    "table": ("site.toml", ("[delivery]", "[delivry]"), "line 61, key delivry",
              "unknown key 'delivry'", "Did you mean 'delivery'?"),
    "single table": ("site.toml", ("[[layer]]", "[layer]"), "line 53, key layer",
                     "'root-zone'", "each below [[layer]]"),
    "inner key": ("site.toml", ('stamp = "end"', 'stmp = "end"'),
                  "line 23, key source.0.clock.stmp", "unknown key 'stmp'",
                  "Did you mean 'stamp'?"),
    "choice": ("site.toml", ('kind = "sdi12"', 'kind = "sdi-12"'),
               "line 27, key source.1.kind", "'sdi-12'", "Did you mean 'sdi12'?"),
    "interval": ("site.toml", ('"15 min"', '"7 min"'), "line 9, key site.interval",
                 "'7 min'", "an interval that divides a day"),
    "interval unit": ("site.toml", ('"15 min"', '"15 mins"'), "line 9, key site.interval",
                      "'15 mins'", "Did you mean 'min'?"),
    "offset": ("site.toml",
               ('utc_offset = "+01:00"\ninterval', 'utc_offset = "CET"\ninterval'),
               "line 8, key site.utc_offset", "'CET'", "an offset from UTC like '+01:00'"),
    "start with time": ("site.toml", ("2023-03-01", "2023-03-01T06:00:00"),
                        "line 7, key site.start", "datetime", "a date without a time"),
    "zone": ("site.toml", ("Europe/Paris", "Europe/Pariss"),
             "line 31, key source.1.clock.zone", "'Europe/Pariss'",
             "Did you mean 'Europe/Paris'?"),
    "two clocks": ("site.toml", ("zone =", 'utc_offset = "Z"\nzone ='),
                   "line 30, key source.1.clock", "both a zone and an offset",
                   "'zone' or 'utc_offset'"),
    "glob up": ("site.toml", ("bus/*.log", "../bus/*.log"), "line 28, key source.1.files",
                "'../bus/*.log'", "a pattern below the data folder"),
    "glob absolute": ("site.toml", ("bus/*.log", "/bus/*.log"), "line 28, key source.1.files",
                      "'/bus/*.log'", "a pattern below the data folder"),
    "glob stars": ("site.toml", ("bus/*.log", "bus/**.log"), "line 28, key source.1.files",
                   "'bus/**.log'", "'**' alone between slashes"),
    "glob backslash": ("site.toml", ('"bus/*.log"', "'bus\\*.log'"),
                       "line 28, key source.1.files", "'bus\\\\*.log'", "Write 'bus/*.log'."),
    "layout": ("site.toml", ('layout = "analog"', 'layout = "analogue"'),
               "line 19, key source.0.layout", "'analogue'", "Did you mean 'analog'?"),
    "layout kind": ("site.toml", ('layout = "transcript"', 'layout = "analog"'),
                    "line 29, key source.1.layout", "layout 'analog' without [transcript]",
                    "a layout with a [transcript] table"),
    "source twice": ("site.toml", ('id = "bus"', 'id = "rounds"'), "line 34, key source.2.id",
                     "source 'rounds' twice", "each name once"),
    "noise quantity": ("site.toml", ("root_permittivity =", "root_permitivity ="),
                       "line 41, key sensor_noise.root_permitivity",
                       "unknown key 'root_permitivity'", "Did you mean 'root_permittivity'?"),
    "noise unit": ("site.toml", ("0.5 mV", "0.5 mm"), "line 40, key sensor_noise.voltage",
                   "'0.5 mm'", "a unit of voltage, such as 'mV' or 'V'"),
    "store": ("site.toml", ("interval =", 'store = "gs://x"\ninterval ='),
              "line 9, key site.store", "'gs://x'", "beginning with 's3://'"),
    "store and output": ("site.toml", ("interval =", 'store = "out"\ninterval ='),
                         "line 9, key site.store", "'out', where the output lies",
                         "a folder that holds nothing else"),
    "threshold key": ("site.toml", ("spike_fail", "spike_fai"), "line 45, key qc.spike_fai",
                      "unknown key 'spike_fai'", "Did you mean 'spike_fail'?"),
    "threshold order": ("site.toml", ("spike_suspect = 0.03", "spike_suspect = 0.3"),
                        "line 44, key qc.spike_suspect", "0.3",
                        "no wider than spike_fail (0.06)"),
    "threshold text": ("site.toml", ("spike_suspect = 0.03", 'spike_suspect = "none"'),
                       "line 44, key qc.spike_suspect", "'none'", "a number"),
    "override key": ("site.toml", ("rate_suspect_per_h", "rate_suspect"),
                     "line 50, key qc.override.0.set.rate_suspect",
                     "unknown key 'rate_suspect'", "Did you mean 'rate_suspect_per_h'?"),
    "override value": ("site.toml", ("_per_h = 0.3", "_per_h = -0.3"),
                       "line 50, key qc.override.0.set", "rate_suspect_per_h = -0.3",
                       "a threshold of 0 or more"),
    "override tube": ("site.toml", ('"T2"', '"T22"'), "line 48, key qc.override.0.tubes.0",
                      "'T22'", "Did you mean 'T2'?"),
    "override why": ("site.toml", ('why = "beside', 'wy = "beside'),
                     "line 51, key qc.override.0.wy", "unknown key 'wy'",
                     "Did you mean 'why'?"),
    "layer upside down": ("site.toml", ("bottom_cm = 30", "bottom_cm = 0"),
                          "line 56, key layer.0.bottom_cm", "0", "below the top (0 cm)"),
    "density in kg": ("soils.toml", ("bulk_density = 1.35", "bulk_density = 1350"),
                      "line 11, key soil.loam.horizon.0.bulk_density", "1350",
                      "It is in g cm-3"),
    "completeness": ("site.toml", ("day_completeness = 0.8", "day_completeness = 80"),
                     "line 59, key derive.day_completeness", "80",
                     "less than or equal to 1"),
    "short offset": ("site.toml", ('"+01:00"\ninterval', '"+1"\ninterval'),
               "line 8, key site.utc_offset", "'+1'", "Did you mean '+01:00'?"),
    "interval without unit": ("site.toml", ('interval = "15 min"', "interval = 15"),
                              "line 9, key site.interval", "15", "Write the unit"),
    "backslash": ("site.toml", ('layout = "analog"', 'layout = "C:\\data"'), "line 19",
                  "layout =", "Write forward slashes in paths"),
    "capital": ("site.toml", ("[report]", "[drift]\ncorrect = True\n[report]"), "line 66",
                "correct = True", "Write true or false"),
    "toml syntax": ("site.toml", ('title = "Soil', "title = Soil"), "line 4", "title = Soil",
                    "valid TOML"),
    "key twice": ("site.toml", ("interval =", 'interval = "1 h"\ninterval ='), "line 10",
                  "interval =", "valid TOML (Cannot overwrite a value)"),
    # tubes.csv
    "column": ("tubes.csv", ("latitude", "lattitude"), "line 1", "unknown column 'lattitude'",
               "Did you mean 'latitude'?"),
    "number": ("tubes.csv", ("412.5", "412 m"), "line 2, column elevation_m", "'412 m'",
               "a number"),
    "comma": ("tubes.csv", ("412.5", '"412,5"'), "line 2, column elevation_m", "'412,5'",
              "Write a decimal point"),
    "comma splits": ("tubes.csv", ("412.5", "412,5"), "line 2, column elevation_m",
                     "'412,5', read as two fields", "Write a decimal point, as in 412.5"),
    "comma splits depth": ("wiring.csv", ("T1,30", "T1,30,5"), "line 5, column depth_cm",
                           "'30,5', read as two fields", "with semicolons"),
    "latitude": ("tubes.csv", ("48.501", "148.501"), "line 4, column latitude", "148.501",
                 "less than or equal to 90"),
    "date": ("tubes.csv", ("2023-03-01", "01.03.2023"), "line 2, column installed",
             "'01.03.2023'", "Did you mean '2023-03-01'?"),
    "no such day": ("tubes.csv", ("2023-03-01", "2023-02-30"), "line 2, column installed",
                    "'2023-02-30'", "a date that exists"),
    "removed": ("tubes.csv", ("2023-03-02T10:00,", "2023-03-02T10:00,2023-03-02"),
                "line 4, column removed", "2023-03-02T00:00+01:00",
                "a time after 'installed' (2023-03-02T10:00+01:00)"),
    "tube twice": ("tubes.csv", ("T2,", "T1,"), "line 4, column tube", "tube 'T1' twice",
                   "a tube set again is a new one"),
    "tube name": ("tubes.csv", ("T1,", "T 1,"), "line 2, column tube", "'T 1'",
                  "a name of letters a to z"),
    "soil": ("tubes.csv", (",5,loam,", ",5,laom,"), "line 4, column soil", "'laom'",
             "Did you mean 'loam'?"),
    "soil cut off": ("tubes.csv", (',5,loam,lower,"beside the track, wet"', ""),
                     "line 4, column soil", "nothing, as the row ends before it",
                     "copy it again"),
    "cell missing": ("tubes.csv", ("412.5", ""), "line 2, column elevation_m", "nothing",
                     "a value for 'elevation_m'"),
    "unquoted comma": ("tubes.csv", ('"beside the track, wet"', "beside the track, wet"),
                       "line 4", "'wet' under no column title", "in quotes"),
    "open quote": ("tubes.csv", ('track, wet"', "track, wet"), "line 3", "broken CSV",
                   "quotation mark without its partner"),
    # wiring.csv
    "wired tube": ("wiring.csv", ("bus,0.M.3,T2", "bus,0.M.3,T02"), "line 9, column tube",
                   "'T02'", "Did you mean 'T2'?"),
    "wired source": ("wiring.csv", ("logger-a,rain", "loger-a,rain"), "line 6, column source",
                     "'loger-a'", "Did you mean 'logger-a'?"),
    "wired rounds": ("wiring.csv", ("bus,0.M.3", "rounds,0.M.3"), "line 9, column source",
                     "a source of hand rounds", "delete the row"),
    "quantity": ("wiring.csv", ("soil_temperature", "soil_temp"), "line 9, column quantity",
                 "'soil_temp'", "Did you mean 'soil_temperature'?"),
    "unit": ("wiring.csv", ("rain,mm", "rain,mV"), "line 6, column unit", "'mV'",
             "a unit of rain, such as 'mm'"),
    "no unit": ("wiring.csv", ("degC", "degree Sea"), "line 9, column unit", "'degree Sea'",
                "a unit of soil_temperature, such as 'degC'"),
    "depth missing": ("wiring.csv", ("M.3,T2,10", "M.3,T2,"), "line 9, column depth_cm",
                      "nothing", "the depth of soil_temperature in cm"),
    "tube missing": ("wiring.csv", ("M.3,T2,10", "M.3,,10"), "line 9, column tube", "nothing",
                     "the tube whose soil_temperature it is"),
    "depth at station": ("wiring.csv", ("rain,,,rain", "rain,,10,rain"),
                         "line 6, column depth_cm", "10", "leave the cell empty"),
    "tube at station": ("wiring.csv", ("rain,,,rain", "rain,T1,,rain"),
                        "line 6, column tube", "'T1'", "leave the cell empty"),
    "depth upwards": ("wiring.csv", ("M.3,T2,10", "M.3,T2,-10"), "line 9, column depth_cm",
                      "'-10'", "Depths count downwards."),
    "no probe": ("wiring.csv", ("mV,P3", "mV,"), "line 5, column probe", "nothing",
                 "the probe that gives the voltage"),
    "probe without law": ("wiring.csv", ("mV,P3", "mV,P33"), "line 5, column probe", "'P33'",
                          "Did you mean 'P3'?"),
    "until first": ("wiring.csv", ("P2,2023-09-01,", "P2,2023-09-01,2023-08-01"),
                    "line 4, column until", "2023-08-01T00:00+01:00", "a time after 'from'"),
    "from before tube": ("wiring.csv", ("P3,,", "P3,2023-01-01,"), "line 5, column from",
                         "2023-01-01T00:00+01:00", "a time while tube 'T1' is in the ground"),
    "channel twice": ("wiring.csv", ("P1,,2023-09-01", "P1,,2023-09-02"),
                      "line 4, column channel",
                      "channel 'mV_1' of 'logger-a' wired twice at once, on lines 2 and 4",
                      "one wiring at a time"),
    "sensor twice": ("wiring.csv", ("bus,0.M.2,T2,30", "bus,0.M.2,T2,10"),
                     "line 8, column quantity",
                     "of 'T2' at 10 cm wired twice at once, on lines 7 and 8",
                     "one wiring at a time"),
    "no horizon": ("wiring.csv", ("bus,0.M.2,T2,30", "bus,0.M.2,T2,115"),
                   "line 8, column depth_cm", "a sensor at 120 cm real depth in tube 'T2'",
                   "The horizons reach from 0 to 120 cm; set-in 5 cm."),
    # soils.toml
    "horizon gap": ("soils.toml", ("top_cm = 25", "top_cm = 30"),
                    "line 14, key soil.loam.horizon.1.top_cm", "the top of 'B' at 30 cm",
                    "The horizons leave a gap"),
    "horizon overlap": ("soils.toml", ("top_cm = 25", "top_cm = 20"),
                        "line 14, key soil.loam.horizon.1.top_cm", "the top of 'B' at 20 cm",
                        "The horizons overlap"),
    "horizon under a misspelt soil": (
        "soils.toml", ('soil.loam.horizon]]\nname = "B"', 'soil.laom.horizon]]\nname = "B"'),
        "line 12, key soil.laom", "soil 'laom'", "Did you mean 'loam'?"),
    "horizon upside down": ("soils.toml", ("bottom_cm = 120", "bottom_cm = 12"),
                            "line 15, key soil.loam.horizon.1.bottom_cm", "12",
                            "a depth below the top (25 cm)"),
    "calibration": ("soils.toml", ('"subsoil"', '"sub-soil"'),
                    "line 16, key soil.loam.horizon.1.calibration", "'sub-soil'",
                    "Did you mean 'subsoil'?"),
    "probe law in soil": ("soils.toml", ('"subsoil"', '"probe-batch"'),
                          "line 16, key soil.loam.horizon.1.calibration",
                          "a law of kind 'probe'", "a law of kind 'soil'"),
    "texture": ("soils.toml", ("sand_pct = 40", "sand_pct = 140"),
                "line 9, key soil.loam.horizon.0.sand_pct", "140",
                "less than or equal to 100"),
    "sand and clay": ("soils.toml", ("sand_pct = 40", "sand_pct = 90"),
                      "line 10, key soil.loam.horizon.0.clay_pct", "90 % sand and 20 % clay",
                      "at most 100 % together"),
    # calibrations.toml
    "version twice": ("calibrations.toml", ("version = 2", "version = 1"),
                      "line 24, key law.2.version", "version 1 of 'topsoil' twice",
                      "not edited but added to"),
    "no origin of version 1": ("calibrations.toml",
                               ('origin = "invented"\n\n[[law]]\nid = "topsoil"\nversion = 2',
                                '\n[[law]]\nid = "topsoil"\nversion = 2'),
                               "line 11, key law.1.origin", "nothing", "a value for 'origin'"),
    "version left out": ("calibrations.toml", ("version = 2", "version = 3"),
                         "line 24, key law.2.version", "version 3 of 'topsoil' without 2",
                         "versions counted 1, 2, 3"),
    "valid": ("calibrations.toml", ("valid = [0.0, 1.0]", "valid = [1.0, 0.0]"),
              "line 8, key law.0.valid", "[1, 0]", "the lower limit first"),
    "not square": ("calibrations.toml", ("[[1e-4, -2e-5], ", "[[1e-4], "),
                   "line 18, key law.1.covariance", "rows of 1, 2", "a square matrix"),
    "not symmetric": ("calibrations.toml", ("[[1e-4, -2e-5], ", "[[1e-4, 2e-5], "),
                      "line 18, key law.1.covariance", "not symmetric", "a symmetric one"),
    "not positive": ("calibrations.toml", ("[-2e-5, 1e-5]", "[-2e-5, -1e-5]"),
                     "line 18, key law.1.covariance", "negative eigenvalue", "signs"),
    "coefficient": ("calibrations.toml", ("slope = 0.12,", "slope = nan,"),
                    "line 38, key law.3.coefficients.slope", "nan", "finite numbers"),
    "law date": ("calibrations.toml", ("2023-06-01", '"1 June"'), "line 26, key law.2.from",
                 "'1 June'", "a date like 2024-03-01"),
    "probes missing": ("calibrations.toml", ('probes = ["P1", "P2", "P3"]\n', ""),
                       "line 1, key law.0.probes", "nothing", "the probes the law holds for"),
    "decimal comma": ("calibrations.toml", ("slope = 0.119,", "slope = 0,119,"), "line 16",
                      "slope = 0,119", "Write a decimal point: 0.119."),
    "date in dots": ("calibrations.toml", ("2023-06-01", "01.06.2023"), "line 26",
                     "01.06.2023", "Did you mean '2023-06-01'?"),
    "one bracket": ("calibrations.toml", ("[[law]]\nid = \"topsoil\"\nversion = 1",
                    "[[law]\nid = \"topsoil\"\nversion = 1"), "line 11", "[[law]",
                    "two brackets on either side"),
    "curly quotes": ("calibrations.toml", ('"probe-batch"', "\u201cprobe-batch\u201d"),
                     "line 2", "probe-batch", "Write straight quotes"),
    "probes no list": ("calibrations.toml", ('["P1", "P2", "P3"]', '"P1"'),
                       "line 5, key law.0.probes", "'P1'", 'Write ["P1"].'),
    # visits.csv
    "action": ("visits.csv", ("swap", "swop"), "line 3, column action", "'swop'",
               "Did you mean 'swap'?"),
    "visit tube": ("visits.csv", ("T2,,installation", "T3,,installation"),
                   "line 2, column tube", "'T3'", "one of 'T1', 'T2' (see tubes.csv)"),
    "visit source": ("visits.csv", ("logger-a", "loger-a"), "line 5, column source",
                     "'loger-a'", "Did you mean 'logger-a'?"),
    "visit unit": ("visits.csv", ("23.5,%", "23.5,"), "line 4, column unit", "nothing",
                   "the unit of the value 23.5"),
    "reference by weight": ("visits.csv", ("23.5,%", "0.235,kg"), "line 4, column unit",
                            "'kg'", "a unit of water content: '%' or 'm3 m-3'"),
    "reference in percent": ("visits.csv", ("23.5,%", "23.5,1"), "line 4, column value",
                             "23.5 1", "from 0 to 1 m3 m-3 (0 to 100 %)"),
    "reference below nothing": ("visits.csv", ("23.5,%", "-2.5,%"), "line 4, column value",
                                "-2.5 %", "from 0 to 1 m3 m-3 (0 to 100 %)"),
    # layouts
    "layout key": ("layouts/analog.toml", ("headerRowCount", "headerRows"),
                   "line 4, key dialect.headerRows", "unknown key 'headerRows'",
                   "Did you mean 'headerRowCount'?"),
    "layout value": ("layouts/analog.toml", ("headerRowCount = 2", "header_row_count = 20"),
                     "line 4, key dialect.header_row_count", "20",
                     "less than or equal to 10"),
    "delimiter in words": ("layouts/analog.toml", ('delimiter = ";"', 'delimiter = "tab"'),
                           "line 3, key dialect.delimiter", "'tab'", 'write "\\t"'),
    "decimal mark of the dialect": (
        "layouts/analog.toml", ("[dialect]", "[dialect]\ndecimalChar = ','"),
        "line 3, key dialect.decimalChar", "unknown key", "[tableSchema.othersDatatype]"),
    "date pattern": ("layouts/analog.toml", ("dd.MM.yyyy HH:mm", "DD.MM.jjjj"),
                     "line 10, key tableSchema.columns.0.datatype.format",
                     "letter 'j' is not understood", "a source of kind 'table'"),
    "layout choice": ("layouts/analog.toml", ('base = "number"', 'base = "numbr"'),
                      "line 12, key tableSchema.othersDatatype.base", "'numbr'",
                      "Did you mean 'number'?"),
    "transcript stamp": ("layouts/transcript.toml", ("yyyy-MM-dd", "jjjj-MM-dd"),
                         "line 2, key transcript.stamp", "'jjjj-MM-dd HH:mm:ss'",
                         "a UAX #35 date pattern"),
    "header rows": ("layouts/analog.toml", ("headerRowCount = 2", "headerRowCount = 1"),
                    "line 5, key dialect.unitsRow", "2 is not among the 1 header rows",
                    "a source of kind 'table'"),
    "encoding": ("layouts/analog.toml", ("delimiter", 'encoding = "utf-9"\ndelimiter'),
                 "line 3, key dialect.encoding", "'utf-9'",
                 "is no text encoding; use 'utf-8'"),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_with_place_and_advice(make_site, name):
    file, edit, place, found, help_text = MISTAKES[name]
    with pytest.raises(SiteError) as caught:
        load_site(make_site(edits={file: [edit]}))
    told = [p for p in caught.value.problems if (p.file, p.place) == (file, place)]
    assert told, f"nothing told at {file}, {place}:\n{caught.value}"
    assert any(found in p.found for p in told), str(told)
    assert any(help_text in f"{p.expected} {p.advice}" for p in told), str(told)


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_does_not_bring_others_with_it(make_site, name):
    # These rename what other rows lean on, so those rows are rightly named too.
    follows = {
        "source twice": 4,
        "tube twice": 9,
        "tube name": 6,
        "probes missing": 4,
        "probes no list": 3,
    }
    file, edit, *_ = MISTAKES[name]
    with pytest.raises(SiteError) as caught:
        load_site(make_site(edits={file: [edit]}))
    assert len(caught.value.problems) <= follows.get(name, 1), str(caught.value)


def test_all_mistakes_of_all_files_are_told_at_once_in_reading_order(make_site):
    edits = {
        "site.toml": [('"15 min"', '"7 min"'), ("day_completeness = 0.8", "completeness = 1")],
        "tubes.csv": [("412.5", "high"), ("48.501", "north")],
        "wiring.csv": [("rain,mm", "rain,mV"), ("soil_temperature", "temperature")],
        "visits.csv": [("swap", "swop")],
    }
    with pytest.raises(SiteError) as caught:
        load_site(make_site(edits=edits))
    told = [(p.file, p.place.split(",")[0]) for p in caught.value.problems]
    assert told == [
        ("site.toml", "line 9"),
        ("site.toml", "line 59"),
        ("tubes.csv", "line 2"),
        ("tubes.csv", "line 4"),
        ("visits.csv", "line 3"),
        ("wiring.csv", "line 6"),
        ("wiring.csv", "line 9"),
    ]


def test_several_mistakes_in_one_row_are_all_told(make_site):
    edit = ("48.501,9.101,411.0", "north,east,411.0")
    with pytest.raises(SiteError) as caught:
        load_site(make_site(edits={"tubes.csv": [edit, ("T2,", "T 2,")]}))
    places = {p.place for p in caught.value.problems if p.file == "tubes.csv"}
    assert places == {f"line 4, column {name}" for name in ("tube", "latitude", "longitude")}


@pytest.mark.parametrize(
    "name", ["site.toml", "tubes.csv", "wiring.csv", "soils.toml", "calibrations.toml"]
)
def test_a_missing_file_is_named_and_nothing_else_is_blamed(make_site, name):
    with pytest.raises(SiteError) as caught:
        load_site(make_site(files={name: None}))
    assert [(p.file, p.found) for p in caught.value.problems] == [(name, "no such file")]


def test_a_misnamed_file_is_pointed_out(make_site):
    folder = make_site()
    (folder / "tubes.csv").rename(folder / "Tubes.csv")
    with pytest.raises(SiteError, match=r"Rename 'Tubes\.csv'\?"):
        load_site(folder)


def test_another_part_of_a_description_is_no_misspelt_one(make_site):
    folder = make_site()
    (folder / "wiring.csv").unlink()
    problems = []
    read_text(folder / "samples.csv", "samples.csv", problems)
    read_text(folder / "wiring.csv", "wiring.csv", problems)
    assert [p.advice for p in problems] == [
        "docs/fitting.md says what is in it.",
        "docs/site-description.md shows one to start from.",
    ]


def test_a_missing_folder_is_a_site_error(tmp_path):
    with pytest.raises(SiteError, match="no such folder"):
        load_site(tmp_path / "nowhere")


def test_two_laws_for_one_probe_are_refused(make_site):
    text = (
        '\n[[law]]\nid="new"\nversion=1\nkind="probe"\nprobes=["P2"]\nform="t"\norigin="x"\n'
    )
    folder = make_site()
    path = folder / "calibrations.toml"
    path.write_text(path.read_text() + text)
    with pytest.raises(SiteError, match="probe 'P2', which law 'probe-batch' names too"):
        load_site(folder)


def test_a_soil_described_in_metres_is_told_what_to_write(make_site):
    metres = [("bottom_cm = 25", "bottom_cm = 0.25"), ("top_cm = 25", "top_cm = 0.25")]
    edits = {"soils.toml": [*metres, ("bottom_cm = 120", "bottom_cm = 1.2")]}
    with pytest.raises(SiteError) as caught:
        load_site(make_site(edits=edits))
    advice = {problem.advice for problem in caught.value.problems}
    told = "If soils.toml is in metres write bottom_cm = 120, and so on."
    assert {text.endswith(told) for text in advice} == {True}
