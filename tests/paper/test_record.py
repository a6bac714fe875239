"""The test record: what stands in it, on paper and on a page, and that nothing anybody typed can break it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import numpy as np
import pypdfium2
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from db.engine import open_database
from db.errors import NotFound
from rig.endings import sentence
from rig.errors import WrongInput
from rig.kept_visit import read_visit, visit_id_of
from rig.reports.batch_plots import save
from rig.reports.letters import in_order, lines_of, settable
from rig.reports.record_contents import digits_for
from rig.reports.record_html import record_html
from rig.reports.record_pdf import Paper, record_pdf
from rig.visit import Purpose
from rig.whole_file import whole_file, write_whole
from tests.paper.conftest import AWKWARD_SERIAL, BACKWARDS, FORMULA, HEBREW, LONG, NOTES, SCRIPT
from tests.rig.benches import CV_METER, standing, written

if TYPE_CHECKING:
    from pathlib import Path

POINTS_PER_MM = 72.0 / 25.4


@pytest.fixture(scope="module")
def plain_pdf(kept) -> bytes:
    return record_pdf(kept.plain)


@pytest.fixture(scope="module")
def pages(kept) -> tuple[str, str]:
    """The record of both visits as pages."""
    return record_html(kept.plain), record_html(kept.awkward)


@pytest.fixture(scope="module")
def awkward_pdf(kept) -> bytes:
    return record_pdf(kept.awkward)


def text_of(pdf: bytes) -> str:
    """Text by another program than the one that set it: pdftotext of poppler."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed (Debian: poppler-utils)")
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True, timeout=30)
    return done.stdout.decode("utf-8")


def pages_of(pdf: bytes) -> list[np.ndarray]:
    """Pages as pictures: grey values, three pixels a millimetre."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        return [page.render(scale=3.0 / POINTS_PER_MM, grayscale=True).to_numpy().squeeze() for page in document]
    finally:
        document.close()


def test_what_is_fitted_again_from_the_database_is_what_was_fitted_at_the_bench(kept):
    (tracking,) = kept.plain.trackings()
    (oscillator,) = kept.live.oscillators
    for again, then in ((tracking.found, oscillator.as_found), (tracking.left, oscillator.as_left)):
        assert again is not None
        np.testing.assert_array_equal(again.error_cents, then.assessed.error_cents)
        np.testing.assert_array_equal(again.covariance_cents2, then.assessed.covariance_cents2)


def test_a_cv_that_a_meter_read_at_each_point_is_fitted_again_as_it_was_read(tmp_path):
    tables = "\n[virtual.cv_meter]\n"
    bench = written(tmp_path / "two.toml", unit="healthy", more=CV_METER, virtual='link = "direct"', tables=tables)
    with standing(tmp_path, bench) as it:
        live = it.visit(Purpose.CHECK)
        again = read_visit(it.database, live.serial, live.visit_id)
    assert again.record.cv_by == "cv meter"
    (tracking,), (oscillator,) = again.trackings(), live.oscillators
    then = oscillator.as_found.assessed
    np.testing.assert_allclose(tracking.found.error_cents, then.error_cents, atol=1e-6)
    # the reading's own doubt is found from the points' whole doubt, less what they have in common
    np.testing.assert_allclose(np.diag(tracking.found.covariance_cents2), np.diag(then.covariance_cents2), rtol=1e-4)


def test_the_record_is_the_same_to_the_byte_in_another_process(kept, plain_pdf, pages, tmp_path):
    done = subprocess.run(
        [
            *(sys.executable, "-c", "from rig.cli import main; main()", "record", kept.plain.record.serial),
            *("--pdf", str(tmp_path / "a.pdf"), "--html", str(tmp_path / "a.html")),
        ],
        env={**os.environ, "RIG_DATABASE_URL": kept.url, "PYTHONHASHSEED": "5", "TZ": "Asia/Tokyo", "LC_ALL": "C"},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "a.pdf").read_bytes() == plain_pdf
    assert (tmp_path / "a.html").read_text(encoding="utf-8") == pages[0]


def test_the_record_says_everything_that_a_reader_needs(kept, plain_pdf):
    text = text_of(plain_pdf)
    visit = kept.plain.record.visit
    for words in (
        kept.plain.record.serial,
        str(visit.visit_id),
        "INVENTED: demonstration",
        "Verdict: pass",
        "Scale error",
        "as found",
        "as left",
        "-1 to 1",
        "at most 6",
        "Uncertainty budget",
        "guard band w = U",
        "ILAC-G8:09/2019",
        "Mains: the bench supply stays closed",
        "Trimrig 0.1.0",
        "virtual bench",
        "21.5 °C",
        "page 1 of 4",
        "page 4 of 4",
        kept.plain.chain_head,
        "Signature",
        *(each.identity for each in kept.plain.record.instruments),
        *(f"{each.calibration_due}" for each in kept.plain.record.instruments),
    ):
        assert words in text, words
    scale = next(each for each in visit.as_left if each.characteristic == "scale_error")
    digits = digits_for(scale.expanded_uncertainty)
    assert f"{scale.value:.{digits}f}" in text
    assert f"{scale.expanded_uncertainty:.{digits}f}" in text


def test_pages_have_something_on_them_and_nothing_in_their_margins(plain_pdf, awkward_pdf, kept):
    unplotted = replace(kept.plain, bench=None, chain_head="sealed-0123abcd")
    letter = record_pdf(unplotted, Paper.LETTER)
    assert "sealed-0123abcd" in text_of(letter)
    for pdf in (plain_pdf, awkward_pdf, letter):
        for page in pages_of(pdf):
            edge = 15
            assert page[edge:-edge, edge:-edge].min() < 100
            for margin in (page[:edge], page[-edge:], page[:, : 3 * edge], page[:, -3 * edge :]):
                assert margin.min() == 255
    assert len(pages_of(awkward_pdf)) > 4


def test_two_figures_of_the_uncertainty_are_given():
    # JCGM 100:2008, 7.2.6: at most two figures of an uncertainty, and the estimate rounded to go with it; its example
    # is 10.057 62 ohm with 0.027 ohm, which becomes 10.058 ohm
    assert [digits_for(each) for each in (0.027, 0.27, 2.7, 27.0, 270.0, 0.00038)] == [3, 2, 1, 0, 0, 5]
    assert digits_for(None) == digits_for(0.0) == 3


def test_budgets_stand_in_the_record_as_they_were_kept(kept, plain_pdf):
    text = " ".join(text_of(plain_pdf).split())
    then = {each.characteristic: each.budget for each in kept.live.findings if each.budget is not None}
    assert set(kept.plain.budgets) == set(then)
    for budget in then.values():
        made = budget.combine()
        assert f"U = {made.expanded_uncertainty:.3g} {budget.unit}" in text
        assert max(budget.inputs, key=lambda each: abs(each.contribution)).name in text
    without = text_of(record_pdf(replace(kept.plain, bench=None, budgets={})))
    assert "No budget was kept with this visit" in without


class Read(HTMLParser):
    """A page as a browser takes it apart: its elements with their attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.texts.append(data)


def test_a_page_holds_no_script_and_fetches_nothing_whatever_was_typed(pages):
    for page in pages:
        read = Read(page)
        assert not {"script", "img", "iframe", "link", "object", "b"} & {tag for tag, _ in read.elements}
        for _, attributes in read.elements:
            for name, value in attributes.items():
                assert not name.startswith("on"), name
                if name in ("src", "href", "xlink:href", "action"):
                    assert (value or "").startswith("#"), value
        assert sum(tag == "svg" for tag, _ in read.elements) == 1


def test_a_page_shows_what_was_typed_sign_for_sign_and_marks_what_would_turn_it_around(kept, pages):
    text = "".join(Read(pages[1]).texts)
    for each in (*NOTES, LONG, AWKWARD_SERIAL, kept.awkward.record.visit.operator):
        assert each.replace("\u202e", "[U+202E]") in text
    assert "\u202e" not in text
    assert "pass[U+202E]daolnwod" in text


def test_paper_shows_what_was_typed_or_what_it_has_no_sign_for(awkward_pdf):
    text = " ".join(text_of(awkward_pdf).split())
    assert FORMULA in text
    assert SCRIPT in text
    assert "U+1F642" in text
    assert "[U+1F39B] fine" in text
    assert "pass[U+202E]daolnwod" in text
    assert HEBREW in text or HEBREW[::-1] in text
    assert text.count("goes on for") >= 440  # of 450; a few stand across two pages
    assert f"by bench 2: R7, {FORMULA}." in text
    assert "out of tune. Complaint: <script>" in text
    assert "later" not in text
    assert "This verdict took the place of an earlier one" in text


def test_right_to_left_text_is_set_in_its_order_and_nothing_is_lost_when_lines_are_broken():
    # Unicode Standard Annex 9: digits and Latin letters keep their order within a line from the right
    assert in_order(f"{HEBREW} 12") == f"12 {HEBREW[::-1]}"
    assert in_order(f"ab {HEBREW}") == f"ab {HEBREW[::-1]}"
    assert settable(BACKWARDS) == "pass[U+202E]daolnwod"
    lines = lines_of("a" * 400, "DejaVuSans", 8.0, 60.0)
    assert len(lines) > 20
    assert "".join(lines) == "a" * 400


def test_a_visit_is_found_by_its_own_name_or_not_at_all(kept):
    with open_database(kept.url) as database:
        serial = kept.plain.record.serial
        assert read_visit(database, serial, kept.live.visit_id) == kept.plain
        with pytest.raises(NotFound, match="none of unit"):
            read_visit(database, serial, kept.awkward.record.visit.visit_id)
        with pytest.raises(NotFound, match="nobody"):
            read_visit(database, "nobody")
    with pytest.raises(WrongInput, match="looks like"):
        visit_id_of("=1+1")


def test_a_product_file_that_this_version_cannot_read_leaves_the_plot_out_and_says_so(kept):
    unreadable = replace(kept.plain, product=None)
    text = text_of(record_pdf(unreadable))
    assert "No plot: the product file or the bench file of then" in text
    assert "Verdict: pass" in text
    assert "<svg" not in record_html(unreadable)
    assert "No plot" in record_html(unreadable)


def test_a_file_that_cannot_be_written_whole_is_not_written_at_all(tmp_path: Path):
    there = tmp_path / "record.pdf"
    there.write_bytes(b"as it was")
    with pytest.raises(TypeError), whole_file(there) as file:
        file.writelines([b"half", "no bytes"])
    assert there.read_bytes() == b"as it was"
    with pytest.raises(FileNotFoundError) as gone:
        write_whole(tmp_path / "nowhere" / "record.pdf", b"x")
    assert gone.value.filename == str(tmp_path / "nowhere" / "record.pdf")
    assert [each.name for each in tmp_path.iterdir()] == ["record.pdf"]


@pytest.fixture
def small_disk(tmp_path: Path):
    """A disk of 64 KiB."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = shutil.which("mount") is not None and (
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)], check=False).returncode == 0
    )
    if not mounted:
        pytest.skip("a small disk can be mounted by root on Linux only")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with names need a system that has them")
def test_a_pipe_is_written_into_and_stays_a_pipe(tmp_path: Path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reading = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_whole(pipe, b"a record")
        assert os.read(reading, 100) == b"a record"
    finally:
        os.close(reading)
    assert pipe.is_fifo()


def test_a_link_stays_and_what_it_points_to_takes_the_new_text(tmp_path: Path):
    target, link = tmp_path / "kept.csv", tmp_path / "link.csv"
    target.write_bytes(b"before")
    link.symlink_to(target)
    write_whole(link, b"after")
    assert link.is_symlink()
    assert target.read_bytes() == b"after"


def test_a_chart_for_which_there_is_no_room_leaves_no_half_file_and_is_named(small_disk):
    figure = Figure((60.0, 40.0))
    figure.subplots().plot(np.random.default_rng(1).random(2000))
    FigureCanvasAgg(figure)
    with pytest.raises(OSError, match="No space") as full:
        save(figure, small_disk, "chart")
    assert f"The disk is full while writing {small_disk / 'chart.'}" in sentence(full.value)
    assert not any(each.name.endswith(".part") for each in small_disk.iterdir())
    assert full.value.filename not in map(str, small_disk.iterdir())


def test_a_full_disk_in_the_middle_of_a_record_leaves_no_half_file_and_one_sentence(plain_pdf, small_disk):
    assert len(plain_pdf) > 64 * 1024
    with pytest.raises(OSError, match="No space") as full:
        write_whole(small_disk / "a.pdf", plain_pdf)
    assert sentence(full.value) == (
        f"The disk is full while writing {small_disk / 'a.pdf'}: make room; what was measured is in the database."
    )
    assert list(small_disk.iterdir()) == []
