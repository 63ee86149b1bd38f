"""What the head of a file says about the rest of it.

Dialects are common practice, no source, but for quoting, which is RFC 4180 (2005) section 2.
"""

import codecs

import pytest

from lapkit.errors import FileError
from lapkit.importers.dialect import cut_short, sniff
from lapkit.importers.layout import encoding_of, split_lines
from lapkit.importers.numerals import number_style

ROWS = "0.0,10.25,1\n0.1,11.50,2\n0.2,12.75,3\n"
PLAIN = "time,speed,gear\n" + ROWS


def of(text, **options):
    head = text.encode() if isinstance(text, str) else text
    return sniff(head, **({"whole": True, "source": "run.csv"} | options))


# ------------------------------------------------------------------- encoding, lines


@pytest.mark.parametrize(
    ("data", "encoding", "mark"),
    [
        (PLAIN.encode(), "utf-8", False),
        (codecs.BOM_UTF8 + PLAIN.encode(), "utf-8", True),
        (PLAIN.encode("utf-16"), "utf-16-le", True),
        (codecs.BOM_UTF16_BE + PLAIN.encode("utf-16-be"), "utf-16-be", True),
        (PLAIN.encode("utf-16-le"), "utf-16-le", False),
        (PLAIN.encode("utf-16-be"), "utf-16-be", False),
        (PLAIN.replace("gear", "Öl °C").encode("cp1252"), "cp1252", False),
        (PLAIN.replace("gear", "Öl °C").encode("utf-8"), "utf-8", False),
        (PLAIN.encode() + b"# \x81\xe9\n", "latin-1", False),
    ],
)
def test_encoding_is_found(data, encoding, mark):
    found = of(data)
    assert (found.encoding, found.byte_order_mark) == (encoding, mark)
    assert found.names[:2] == ("time", "speed")
    text = data.decode(encoding).removeprefix("\ufeff")
    written = text.encode("cp1252" if encoding == "cp1252" else "latin-1" if encoding == "latin-1" else "utf-8")
    mark_length = 3 if encoding == "utf-8" and mark else 0
    assert written[found.data_offset - mark_length :].startswith(b"0.0,10.25,1")


def test_a_character_cut_by_the_end_of_the_head_is_not_taken_for_another_encoding():
    head = (PLAIN + "°").encode()[:-1]
    assert encoding_of(head) == ("utf-8", 0)
    assert of(head, whole=False).encoding == "utf-8"


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_line_ends(line_end):
    found = of("Driver: N. Body\n\n".replace("\n", line_end) + PLAIN.replace("\n", line_end))
    assert found.line_end == line_end
    assert (found.header_line, found.first_line) == (3, 4)
    assert found.metadata == {"Driver": "N. Body"}


def test_mixed_line_ends_are_all_line_ends():
    lines, line_end = split_lines("a\r\nb\rc\nd\r\n", whole=True)
    assert [line.text for line in lines] == ["a", "b", "c", "d", ""]
    assert [line.start for line in lines] == [0, 3, 5, 7, 10]
    assert line_end == "\r\n"


# ------------------------------------------------------------------ delimiter, marks


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal", "thousands"),
    [
        (PLAIN, ",", ".", ""),
        (PLAIN.replace(",", ";"), ";", ".", ""),
        (PLAIN.replace(",", "\t"), "\t", ".", ""),
        (PLAIN.replace(",", "|"), "|", ".", ""),
        (PLAIN.replace(",", " "), " ", ".", ""),
        (PLAIN.replace(",", ";").replace(".", ","), ";", ",", ""),
        (PLAIN.replace(",", "\t").replace(".", ","), "\t", ",", ""),
        (PLAIN.replace(",", " ").replace(".", ","), " ", ",", ""),
        ("a;b\n0,5;1.013,25\n1,5;990,75\n", ";", ",", "."),
        ("a;b\n0,5;1 013,25\n1,5;990,75\n", ";", ",", " "),
        ("a;b\n0,5;1\u202f013,25\n1,5;990,75\n", ";", ",", "\u202f"),
        ("a;b\n0.5;1'013.25\n1.5;990.75\n", ";", ".", "'"),
        ('a,b\n0.5,"1,013.25"\n1.5,990.75\n', ",", ".", ","),
        ('a,b\n"0,5","1013,25"\n"1,5","990,75"\n', ",", ",", ""),
        (
            'a,b\n0,"1,013"\n1,990\n',
            ",",
            ".",
            ",",
        ),  # where commas stand between cells, one in a number is a thousands mark
        ("a;b\n0;1,013\n1;2,990\n", ";", ",", ""),  # where they do not, it is a decimal mark
        ("a;b\n0,5;1,013\n1,5;2,990\n", ";", ",", ""),
        ("a;b\n0.5;1,013\n1.5;2,990\n", ";", ".", ","),
        ("sep=;\na;b\n1;2\n3;4\n", ";", ".", ""),
        ("name;note\n1;a,b\n2;c,d\n3;e,f\n", ";", ".", ""),
    ],
)
def test_delimiter_and_marks(text, delimiter, decimal, thousands):
    found = of(text)
    assert (found.delimiter, found.decimal, found.thousands) == (delimiter, decimal, thousands)


def test_a_number_that_reads_two_ways_is_noted():
    assert any(
        "'1,013' can be read in two ways; the comma is taken" in note for note in of("a;b\n0;1,013\n1;2,990\n").notes
    )
    assert not of("a;b\n0,5;1,013\n1;2,990\n").notes


def test_number_style_needs_a_number_that_reads_one_way():
    assert number_style(["1.234", "1,5"]) == (",", ".", True)
    assert number_style(["1.234.567"]) == (",", ".", True)
    assert number_style(["12", "7"]) == (None, "", True)
    assert number_style(["1.234"], points=3) == (".", "", True)


# ------------------------------------------------------------ preamble, header, units


@pytest.mark.parametrize(
    ("line", "key", "value"),
    [
        ("Driver: N. Body", "Driver", "N. Body"),
        ("Driver,N. Body", "Driver", "N. Body"),
        ('"Driver","N. Body"', "Driver", "N. Body"),
        ('"Driver: N. Body"', "Driver", "N. Body"),
        ("Driver=N. Body", "Driver", "N. Body"),
        ("# Driver: N. Body", "Driver", "N. Body"),
        ("% Driver = N. Body", "Driver", "N. Body"),
        ("Driver,N. Body,,,,", "Driver", "N. Body"),
        ("Rate,20,Hz", "Rate", "20 Hz"),
        ("Start: 2024-05-01, 12:30:00", "Start", "2024-05-01, 12:30:00"),
        ("Start,12:30:00", "Start", "12:30:00"),
        ("An invented oval", "text 1", "An invented oval"),
        ("[session]", "text 1", "[session]"),
    ],
)
@pytest.mark.parametrize("blank", ["", "\n", "\n\n,,\n"])
def test_preamble_lines_are_kept_as_metadata(line, key, value, blank):
    found = of(line + "\n" + blank + PLAIN)
    assert found.metadata == {key: value}
    assert found.names == ("time", "speed", "gear")
    assert found.first_line == 3 + blank.count("\n")


def test_a_key_met_twice_loses_neither_value():
    assert of("Tyre: A\nTyre: B\n" + PLAIN).metadata == {"Tyre": "A", "Tyre (again)": "B"}


def test_a_preamble_that_outnumbers_the_rows():
    found = of("".join(f"Key {i},{i}\n" for i in range(1000)) + PLAIN)
    assert found.names == ("time", "speed", "gear")
    assert len(found.metadata) == 1000
    assert found.header_line == 1001


def test_a_preamble_as_wide_as_the_table():
    found = of("Driver,N. Body\nRate,20\ntime,speed\ns,m/s\n0,10\n1,11\n")
    assert (found.names, found.units) == (("time", "speed"), {"time": "s", "speed": "m/s"})
    assert found.metadata == {"Driver": "N. Body", "Rate": "20"}


@pytest.mark.parametrize("sign", ["# ", "#", "% ", "%", ";", "//", "# # ", "#,"])
@pytest.mark.parametrize("header", ["time,speed,gear", '"time","speed","gear"'])
def test_a_comment_sign_before_the_header(sign, header):
    found = of(sign + header + "\n" + ROWS)
    assert found.names == ("time", "speed", "gear")
    assert found.header_line == 1


def test_a_comment_sign_inside_the_quotes():
    assert of('"# time","speed","gear"\n' + ROWS).names == ("time", "speed", "gear")


@pytest.mark.parametrize("sign", [";", "#;"])
def test_a_comment_sign_that_looks_like_a_delimiter(sign):
    assert of(sign + PLAIN.replace(",", ";")).names == ("time", "speed", "gear")


@pytest.mark.parametrize(
    ("row", "units"),
    [
        ("s,km/h,", {"time": "s", "speed": "km/h"}),
        ("[s],[km/h],[-]", {"time": "s", "speed": "km/h", "gear": "-"}),
        ("(s),(km/h),()", {"time": "s", "speed": "km/h"}),
        ('"s","m/s","1"', {"time": "s", "speed": "m/s", "gear": "1"}),
        ("# s, m/s, count", {"time": "s", "speed": "m/s", "gear": "count"}),
        (",mph,", {"speed": "mph"}),
    ],
)
def test_units_row(row, units):
    found = of("time,speed,gear\n" + row + "\n" + ROWS)
    assert found.units == units
    assert (found.header_line, found.units_line, found.first_line) == (1, 2, 3)


def test_blank_lines_and_ornaments_between_header_and_data():
    found = of("time,speed,gear\n\ns,m/s,\n\n----------\n" + ROWS)
    assert (found.header_line, found.units_line, found.first_line) == (1, 3, 6)
    assert found.metadata == {"text 1": "----------"}


def test_without_a_header():
    found = of(ROWS)
    assert found.names == ("column 1", "column 2", "column 3")
    assert (found.header_line, found.first_line) == (None, 1)
    assert "no header row" in found.notes[0]
    assert of("Driver: N. Body\n" + ROWS).names == ("column 1", "column 2", "column 3")


def test_a_header_of_numbers_is_data():
    assert of("1,2,3\n" + ROWS).first_line == 1


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("time,speed,gear,\n" + ROWS, ("time", "speed", "gear")),
        ("time,speed,gear\n" + ROWS.replace("\n", ",\n"), ("time", "speed", "gear", "column 4")),
        ("time,speed,gear,\n" + ROWS.replace("\n", ",\n"), ("time", "speed", "gear", "column 4")),
        ("time,,gear\n" + ROWS, ("time", "column 2", "gear")),
        ("v,v,v (2)\n" + ROWS, ("v", "v (3)", "v (2)")),
        ("v,v,v\n" + ROWS, ("v", "v (2)", "v (3)")),
        (' time , "speed" ,gear\n' + ROWS, ("time", "speed", "gear")),
        ('"speed\nof car",b,c\n' + ROWS, ("speed of car", "b", "c")),
        ("GPS time  GPS speed  gear\n" + ROWS.replace(",", "  "), ("GPS time", "GPS speed", "gear")),
    ],
)
def test_names(text, names):
    assert of(text).names == names


def test_a_header_with_numbers_among_its_names():
    assert of("time,1,2,3\n0.0,5,6,7\n0.1,5,6,7\n").names == ("time", "1", "2", "3")


def test_delimiters_behind_the_last_cell_make_an_empty_column():
    assert of("time,speed,\n0,1,\n1,2,\n").kinds == ("number", "number", "empty")
    assert of("time,speed\n0,1,\n1,2,\n").kinds == ("number", "number", "empty")


def test_a_header_with_too_few_or_too_many_names():
    few = of("time,speed\n" + ROWS)
    assert few.names == ("time", "speed", "column 3")
    assert "names 2 columns, the rows hold 3 cells" in few.warnings[0]
    many = of("time,speed,gear,fuel\n" + ROWS)
    assert many.names == ("time", "speed", "gear")
    assert "'fuel' left out" in many.warnings[0]


def test_a_first_column_that_numbers_the_rows_needs_no_name():
    found = of("time,speed\n0,0.0,10\n1,0.1,11\n2,0.2,12\n")
    assert found.names == ("column 1", "time", "speed")
    assert "numbers the rows" in found.notes[0]


# --------------------------------------------------------------------------- columns


def test_kinds_of_columns():
    found = of("a,b,c,d,e\n1,x,,0:01.5,2024-05-01\n2,y,NaN,0:02.5,2024-05-02\nERR,3,-,0:03.5,2024-05-03\n")
    assert found.kinds == ("number", "text", "number", "text", "text")


def test_a_cell_with_a_line_break_is_words():
    assert of('a,b\n1,2\n"one\ntwo",3\n4,5\n').kinds == ("text", "number")


def test_missing_values_with_blanks_around_them():
    assert set(of("a,b\n1, NA\n2,  \n3,4\n").nulls) == {" NA", "  "}


@pytest.mark.parametrize(
    ("text", "regular"),
    [
        (PLAIN, True),
        (PLAIN + "0.3,1", True),  # cut short: its reader looks at that
        (PLAIN + "0.3,1\n", False),
        (PLAIN + "time,speed,gear\n" + ROWS, False),
        ("a;b\n0,5;1.013,25\n1,5;990,75\n", False),
        (PLAIN.replace(",", " "), True),
        (PLAIN.replace(",", "  "), False),
        ('a,b\n1,"x\ny"\n2,z\n', False),
        (PLAIN.replace("\n0.1", "\n\n0.1"), True),
    ],
)
def test_whether_the_head_is_regular(text, regular):
    assert of(text).regular is regular


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("0.3,13.25,1", ""),
        ("0.3,13", "it holds 2 of 3 cells"),
        ('0.3,"13', "a quote is not closed"),
    ],
)
def test_a_last_line_cut_short(line, fault):
    assert cut_short(line, of(PLAIN)) == fault


def test_a_last_number_cut_short():
    found = of("a,b\n1,0.125\n2,0.250\n3,0.375\n")
    assert "'0.5', all others have 3 digits" in cut_short("4,0.5", found)
    assert cut_short("4,0.500", found) == ""


def test_the_last_line_of_a_partial_head_is_ignored():
    found = of(PLAIN + "0.3,xx", whole=False)
    assert found.regular
    assert found.kinds == ("number",) * 3


def test_findings_in_words():
    found = of(codecs.BOM_UTF8 + b"Driver: N. Body\r\na;b\r\ns;m\r\n0,5;1.013,25\r\n1,5;990,75\r\n")
    assert found.describe() == {
        "encoding": "UTF-8 with byte-order mark",
        "line_end": "CRLF",
        "delimiter": "semicolon",
        "decimal_mark": "comma",
        "thousands_mark": "point",
        "header_line": "2",
        "units_line": "3",
        "first_line": "4",
    }


# ---------------------------------------------------------------------------- errors


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("\n \n\n", "run.csv: the file holds only blank lines"),
        ("time,speed\n", r"run.csv: the file holds a header only \(line 1, 2 columns\) and no row of data"),
        ("Driver: N. Body\n\ntime,speed\ns,m/s\n", r"run.csv: the file holds a header only \(line 3, 2 columns\)"),
        ("Hello\nthere\n", r"run.csv: no table of numbers was found in the file \(line 1 reads 'Hello'\)"),
        (",".join("12345") + "\n1,2,3,4,5\n", "run.csv: line 1 holds 5 cells, more than the 4 columns"),
        ("a,b\n1,\0\n", r"run.csv: byte 7 \(line 2\) is a NUL byte"),
        ("é,b\r\n1,\0\r\n".encode("cp1252"), r"run.csv: byte 8 \(line 2\) is a NUL byte"),
    ],
)
def test_heads_that_hold_no_table(text, message):
    with pytest.raises(FileError, match=message):
        of(text, max_columns=4)


def test_words_alone_are_a_table_only_where_the_whole_file_is_seen():
    words = "a,b\nx,y\nz,w\n"
    assert of(words).kinds == ("text", "text")
    with pytest.raises(FileError, match="no table of numbers was found in the first 3 lines"):
        of(words + "q", whole=False)
