"""Pages: what they say, how they round, what hostile text cannot do, and the same bytes."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
import zlib
from fractions import Fraction
from html.parser import HTMLParser
from pathlib import Path

import page
import pikepdf
import pytest
from msgspec.structs import replace

from ampelog import printing, render, typeset
from ampelog.errors import Refused
from ampelog.facts import Claim, Dossier, Row, Table
from ampelog.printing import Attached
from ampelog.render import Options
from ampelog.typeset import Amounts
from tests import invented

HERE = Path(__file__).parent.parent
TEMPLATES = HERE / "templates"
ADVICE = "Decision support, not legal advice. Check current law; the authority decides."
DEFAULT = Options()
HOSTILE = (
    "<script>alert(1)</script><svg onload=x><image href='file:///etc/passwd'/></svg>",
    "{{ 7 * 7 }} {% raw %} </style> --> ]]> url(http://192.0.2.1/x) @import 'x'",
    "../../etc/passwd \\0 %00 C:\\x file:///etc/shadow",
    "\u202eEVIL\u202c \u2066x\u2069 \u200f \u05e2\u05d1\u05e8 \u8461\u8404 \U0001f377",
    "nul \x00 bell \x07 lone \ud800 end \ufffe",
    "x" * 10_000,
    "W" * 64,
)


class Seen(HTMLParser):
    """The tags and the text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.words: list[str] = []
        self._aside = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self._aside = tag == "style"

    def handle_data(self, data: str) -> None:
        if not self._aside:
            self.words.append(data)

    def handle_endtag(self, tag: str) -> None:
        self._aside = self._aside and tag != "style"

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def page_of(dossier: Dossier, units: str = "us") -> str:
    return render.html(dossier, Options(units))


def read(dossier: Dossier, units: str = "us") -> str:
    return Seen(page_of(dossier, units)).text


# ---- what the pages say


def test_page_one_has_the_answer_the_figures_and_a_line_a_statement() -> None:
    text = read(invented.dossier())
    for wanted in (
        "2024 Reserve Syrah, Walla Walla Valley",
        "Two of four statements are supported by the records, one is not and one cannot be",
        "1287.4 gal",
        "4873.5 L",
        "12 May 2026",
        "rest over on 8 November 2026",
        "10 November 2026",
        "Where the wine came from",
    ):
        assert wanted in text


def test_a_refused_statement_reads_not_supported_by_the_records() -> None:
    text = read(invented.dossier())
    assert "not supported by the records" in text
    assert "refused" not in text


def test_every_table_of_verdicts_carries_the_advice_and_repeats_it_on_each_page() -> None:
    made = invented.dossier()
    pages = _pages(replace(made, claims=made.claims * 15))
    judging = [number for number, text in enumerate(pages) if "Needed, %" in text]
    assert len(judging) > 3
    for number in judging:
        assert ADVICE in pages[number], number


def test_bottles_packed_over_count_with_those_that_were_filled() -> None:
    made = invented.dossier()
    assert "Bottles 6500 of 750 mL; 6498 still here" in read(made)
    more = replace(made, wine=replace(made.wine, filled="6000"))
    assert "Bottles 6498 of 750 mL; all still here" in read(more)


def test_a_lot_without_a_label_says_so_and_shows_no_verdict() -> None:
    made = invented.dossier()
    bare = replace(made, claims=(), verdict=None, wine=replace(made.wine, label=None))
    text = read(bare)
    assert "No statement is judged here: the lot names no label." in text
    assert "What the label states" not in text


def test_a_lot_on_hold_says_so_under_its_name() -> None:
    made = invented.dossier()
    assert "on hold" not in read(made)
    assert "on hold" in read(replace(made, wine=replace(made.wine, on_hold=True)))


def test_fruit_is_weighed_and_not_measured() -> None:
    made = invented.dossier()
    wine = replace(made.wine, unit="kg", amount="1000", told_of="1000", bottles=None, filled=None)
    text = read(replace(made, wine=wine), "us")
    assert "Weight 2204.6 lb 1000 kg" in text
    assert "Weight, lb" in text


def test_units_change_what_is_read_and_not_the_shares() -> None:
    made = invented.dossier()
    us, metric = read(made, "us"), read(made, "metric")
    assert "Volume, gal" in us
    assert "Volume, L" in metric
    shares = [re.findall(r"\d\d\.\d\d(?= )", text)[:5] for text in (us, metric)]
    assert shares[0] == shares[1]


def test_a_corrected_event_is_struck_through_and_names_its_correction() -> None:
    text = page_of(invented.dossier())
    struck = re.findall(r"<s>(.*?)</s>.*?Corrected by event (\d+)", text)
    assert len(struck) == 1
    assert struck[0][1] == "106"


def test_the_head_and_the_ledger_stand_on_every_page() -> None:
    made = invented.dossier()
    for text in _pages(made):
        assert made.head.root in text
        assert made.head.ledger in text


def test_events_left_out_are_summed_by_lot() -> None:
    text = read(invented.dossier())
    assert "22-SY topping wine 412 0.0400" in text


def test_a_long_list_counts_its_smallest_rows() -> None:
    made = invented.dossier()
    rows = tuple(
        Row((f"Block {index:03d}",), "0.0099" if index < 50 else "0.0001") for index in range(150)
    )
    text = read(replace(made, composition=(Table("By block", ("block",), rows),)))
    assert "Block 049" in text
    assert "Block 050" not in text
    assert "And 100 more of less than 0.1 % each." in text


def test_fills_that_differ_are_told_of() -> None:
    made = invented.dossier()
    words = "each statement was judged in every fill"
    assert words not in read(made)
    assert words in read(replace(made, fills_differ=True))


# ---- rounding and words


@pytest.mark.parametrize(
    ("share", "printed"),
    [
        ("0.75", "75.0"),
        ("0.749999999999999999999999999999", "74.9"),
        ("1", "100.0"),
        ("0.999999999999999999999999999999", "99.9"),
        ("0", "0.0"),
        ("0.0004", "<\u00a00.1"),
        (None, "\N{EN DASH}"),
        ("13.9 % vol", "13.9 % vol"),
    ],
)
def test_a_share_is_rounded_down_and_never_up_to_a_limit(share: str | None, printed: str) -> None:
    assert typeset.share(share) == printed


def test_a_tenth_whose_last_decimal_is_lost_is_printed_as_a_tenth() -> None:
    assert typeset.part("0.224999999999999999999999999999", 2) == "22.50"
    assert typeset.part("0.224999999999999999999999999", 2) == "22.49"
    assert typeset.share("0.224999999999999999999999999999", 2) == "22.49"


def test_a_margin_below_zero_never_reads_as_none() -> None:
    assert typeset.margin("-0.000000000000000000000000000001") == "\N{MINUS SIGN}0.1"
    assert typeset.margin("0") == "+0.0"
    assert typeset.margin("0.062345") == "+6.2"


def test_a_limit_has_the_digits_that_it_has() -> None:
    needed = [typeset.needed(one) for one in ("0.75", "0.855", "1", None)]
    assert needed == ["75", "85.5", "100", "\N{EN DASH}"]


def test_volumes_are_rounded_to_the_tenth_and_never_to_nothing() -> None:
    metric, us = Amounts("metric"), Amounts("us")
    assert metric.amount("4873.55") == "4873.6\u00a0L"
    assert metric.amount("12345") == "12\u00a0345\u00a0L"
    assert metric.plain("0.04") == "<\u00a00.1"
    assert us.amount("3.785411784") == "1\u00a0gal"  # NIST Handbook 44, Appendix C
    assert Amounts("us", "kg").amount("0.45359237") == "1\u00a0lb"  # the same


def test_dates_are_spelled_and_hours_kept() -> None:
    assert typeset.day("2024-10-03") == "3 October 2024"
    assert typeset.moment("2024-10-03T14:20:05-07:00") == "3 Oct 2024, 14:20"
    assert typeset.day(None) == ""
    assert typeset.day("soon") == "soon"


def test_large_quantities_in_words_are_grouped_and_years_and_codes_are_not() -> None:
    assert typeset.says("12500 kg, 24-10000, tag 123456, 1234567.5 L.") == (
        "12\u00a0500 kg, 24-10000, tag 123456, 1\u00a0234\u00a0567.5 L."
    )


def test_the_answer_counts_statements_and_not_rows() -> None:
    made = invented.dossier()
    row = made.claims[0]
    listed = replace(row, required=None, actual=None, margin=None, why="on the list")
    fills = (listed, replace(row, fill="a"), replace(row, fill="b", margin="0.01"))
    one = replace(made, claims=fills)
    assert typeset.lines(one) == (fills[2],)
    assert typeset.answer(one) == "The one statement of the label is supported by the records."
    worse = replace(listed, verdict="refused")
    assert worse in typeset.lines(replace(one, claims=(worse, *fills[1:])))


def test_the_worst_fill_of_a_statement_is_the_one_shown() -> None:
    made = invented.dossier()
    row = made.claims[0]
    bad = replace(row, fill="b", verdict="refused", margin="-0.01")
    assert typeset.lines(replace(made, claims=(row, bad, row))) == (bad,)


def _claim(verdict: str, statement: str) -> Claim:
    return replace(invented.CLAIMS[0], verdict=verdict, statement=statement)


def test_the_answer_says_all_supported_only_where_all_are() -> None:
    made = invented.dossier()
    good = replace(made, claims=(_claim("supported", "A"), _claim("supported", "B")))
    assert typeset.answer(good) == "Both statements of the label are supported by the records."
    open_ = replace(made, claims=(_claim("supported", "A"), _claim("undetermined", "B")))
    assert typeset.answer(open_) == (
        "One of two statements is supported by the records and one cannot be decided from them."
    )


# ---- what hostile text cannot do


@pytest.mark.parametrize("text", HOSTILE, ids=lambda text: ascii(text[:12]))
def test_hostile_text_stays_text_in_every_field(text: str) -> None:
    plain = Seen(page_of(invented.dossier(12, 12)))
    seen = Seen(page_of(invented.renamed(invented.dossier(12, 12), text)))
    assert seen.tags <= plain.tags | {"br"}
    assert seen.attributes <= plain.attributes
    if "7 * 7" in text:
        assert "{{ 7 * 7 }}" in seen.text


def test_marks_that_turn_text_around_are_printed_as_their_code() -> None:
    text = page_of(invented.renamed(invented.dossier(), "a\u202eb"))
    assert "\u202e" not in text
    assert "a[U+202E]b" in text


@pytest.mark.parametrize("text", HOSTILE, ids=lambda text: ascii(text[:12]))
def test_hostile_text_is_printed_and_the_pages_stay_lawful(text: str, tmp_path: Path) -> None:
    made = invented.renamed(invented.dossier(5, 2), text)
    render.write(made, tmp_path / "a.pdf", units="metric", paper="a4")
    assert _broken_rules(tmp_path / "a.pdf") == []


def test_signs_that_the_fonts_lack_are_printed_as_their_code_and_kept_on_a_screen() -> None:
    made = replace(invented.dossier(5, 2), title="\u8461\u8404 Rosé")
    assert "\u8461\u8404 Rosé" in page_of(made)
    assert "[U+8461][U+8404] Rosé" in _pages(made)[0]


def test_nothing_is_fetched_and_asking_for_anything_ends_the_rendering() -> None:
    from weasyprint import HTML
    from weasyprint.urls import FatalURLFetchingError

    for address in ("file:///etc/passwd", "http://192.0.2.1/x", "data:,x", "ampelog-font:../x"):
        with pytest.raises(FatalURLFetchingError):
            HTML(
                string=f"<link rel=stylesheet href='{address}'>x",
                url_fetcher=printing.fetcher(),
            ).render()


OWN_FILES = {"dossiers.html": 'href="{{ one.file.name }}"'}
"""Links that a template may have: to files whose plain names this program made itself."""


def test_no_template_says_that_text_is_safe() -> None:
    for path in TEMPLATES.glob("*.html"):
        words = path.read_text(encoding="utf-8").replace(OWN_FILES.get(path.name, "\0"), "")
        for banned in ("|safe", "| safe", "Markup", "autoescape", "http", "src=", "href="):
            assert banned not in words, (path.name, banned)
    sources = [path for path in (HERE / "ampelog").glob("*.py") if path.name != "printing.py"]
    assert not [path.name for path in sources if "Markup(" in path.read_text(encoding="utf-8")]


def test_a_page_is_one_file_that_asks_for_nothing() -> None:
    text = page_of(invented.dossier())
    assert not re.findall(r"(?:href|src)=", text)
    addresses = re.findall(r"url\(([^)]{0,30})", text)
    assert len(addresses) == len(printing.FONTS)
    assert all(one.startswith("data:font/woff2;base64,") for one in addresses)


# ---- files, fonts, bytes


def test_the_fonts_are_whole_licensed_and_small() -> None:
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]  # ships no types

    folder = TEMPLATES / "fonts"
    sizes = [path.stat().st_size for path in folder.iterdir()]
    assert sum(sizes) < 1_500_000
    assert "SIL Open Font License" in (folder / "LICENSE-SourceSans3.md").read_text("utf-8")
    covered = {ord(sign) for sign in map(chr, range(0x10000)) if printing.covered(sign)}
    for weight in printing.FONTS:
        cmap = set(TTFont(folder / f"SourceSans3-{weight}.woff2").getBestCmap())
        assert covered <= cmap
        assert len(cmap) > 1500


def test_only_the_shipped_fonts_are_in_the_pdf() -> None:
    content = render.pdf(invented.dossier(), Options()).content
    with pikepdf.open(io.BytesIO(content)) as document:
        names = {
            str(font.BaseFont)
            for sheet in document.pages
            for font in sheet.Resources.get("/Font", {}).values()
        }
    assert names
    assert all("Source-Sans-3" in name for name in names), names


@pytest.mark.parametrize(("paper", "size"), [("letter", (612, 792)), ("a4", (595, 842))])
def test_letter_and_a4_come_from_one_sheet(paper: str, size: tuple[int, int]) -> None:
    content = render.pdf(invented.dossier(5, 3), Options("us", paper)).content
    with pikepdf.open(io.BytesIO(content)) as document:
        box = document.pages[0].mediabox
        assert (round(float(box[2])), round(float(box[3]))) == size


@pytest.mark.parametrize("lots", [5, 80])
def test_the_pdf_is_tagged_and_lawful_for_readers_of_screens(lots: int, tmp_path: Path) -> None:
    render.write(invented.dossier(lots, 8), tmp_path / "a.pdf")
    assert _broken_rules(tmp_path / "a.pdf") == []


def test_the_same_facts_give_the_same_bytes_wherever_they_are_printed(tmp_path: Path) -> None:
    program = (
        "import hashlib; from ampelog import render; from tests import invented;"
        "d = invented.dossier(12, 6); o = render.Options();"
        "print(hashlib.sha256(render.pdf(d, o).content + render.html(d, o).encode()).hexdigest())"
    )
    found = set()
    for zone, seed, place in (("UTC", "1", tmp_path), ("Asia/Tokyo", "2", HERE)):
        done = subprocess.run(
            [sys.executable, "-c", program],
            check=True,
            capture_output=True,
            text=True,
            cwd=place,
            env={**os.environ, "TZ": zone, "PYTHONHASHSEED": seed, "PYTHONPATH": str(HERE)},
        )
        found.add(done.stdout)
    assert len(found) == 1


def test_printing_leaves_the_environment_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "7")
    with printing.source_date("2026-11-25"):
        assert os.environ["SOURCE_DATE_EPOCH"] == str(20_782 * 86_400)
    assert os.environ["SOURCE_DATE_EPOCH"] == "7"


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    made = invented.dossier(5, 3)
    assert render.write(made, tmp_path / "a.pdf") > 1
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-1.7")
    assert render.write(made, tmp_path / "a.html", units="metric") == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.html", "a.pdf"]
    for path in (tmp_path / "a.txt", tmp_path / "no" / "a.pdf"):
        with pytest.raises(Refused):
            render.write(made, path)
    (tmp_path / "b.html").mkdir()
    with pytest.raises(Refused):
        render.write(made, tmp_path / "b.html")
    assert not list(tmp_path.glob("*.part"))


def test_pages_are_not_loaded_until_they_are_asked_for() -> None:
    program = "import sys, ampelog.render; print({'jinja2', 'weasyprint'} & set(sys.modules))"
    words = [sys.executable, "-c", program]
    done = subprocess.run(words, check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "set()"


def test_shares_of_a_table_are_printed_beside_their_volume() -> None:
    made = invented.dossier()
    third = Row(("Syrah",), invented.text(Fraction(1, 3)))
    one = replace(made, composition=(Table("By variety", ("variety",), (third,)),))
    assert "Syrah 33.33 1624.5" in read(one, "metric")


def _pages(dossier: Dossier, options: Options = DEFAULT) -> list[str]:
    """The text of each printed page, margins included."""
    laid_out = printing.laid_out(
        printing.printable(render.page(dossier, options.units)(printing.covered), options.paper)
    )
    return [
        re.sub(
            r"\s+",
            " ",
            " ".join(box.text for box in one._page_box.descendants() if hasattr(box, "text")),
        )
        for one in laid_out.pages
    ]


def _broken_rules(path: Path) -> list[str]:
    """Which of the machine-checkable rules of ISO 14289-1 (PDF/UA-1) a file breaks."""
    found = page.validate_pdf(str(path), profile=page.ValidationProfile.PDF_UA_1)
    assert found.checks
    return [] if found.is_compliant else [str(found)]


def test_a_stream_that_ends_with_a_carriage_return_is_told_whole(tmp_path: Path) -> None:
    """ISO 19005-3, 6.1.7.1: the length of a stream is that of its bytes in the file. What is inside
    is compressed; its last byte is that of its Adler-32 (RFC 1950, 2.2)."""
    told = next(
        text
        for number in range(5000)
        if zlib.compress(text := f"told {number}".encode(), 9)[-1:] == b"\r"
    )
    made = render.page(invented.dossier(), "us")
    content = printing.pdf(
        made, "letter", [Attached("a.txt", "text/plain", "A text.", told)]
    ).content
    assert zlib.compress(told, 9) + b"\r\nendstream" in content
    path = tmp_path / "a.pdf"
    path.write_bytes(content)
    found = page.validate_pdf(str(path), profile=page.ValidationProfile.PDF_A_3A)
    assert found.is_compliant, str(found)
    with pikepdf.open(path) as read:
        assert read.attachments["a.txt"].get_file().read_bytes() == told
