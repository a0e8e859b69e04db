"""The brief itself: what it says, and the PDF that another library reads it from."""

from dataclasses import replace
from pathlib import Path

import pikepdf
import pypdf
import pytest

from paddlebrief.brief.content import SessionFacts, line_labels
from paddlebrief.brief.figures import write_picture
from paddlebrief.brief.layout import write_brief, write_status
from paddlebrief.brief.status import failed, no_stroke
from paddlebrief.errors import FootageError
from paddlebrief.records import Kind, PlayerRanking, Side
from tests.brief_samples import HASH, REASON, brief, info, pictures, provenance, ranking, stroke
from tests.test_brief_figures import drawn

THREE = [stroke(1), stroke(2, shift=1.0), stroke(3, shift=12.0)]
NOTE = "Three strokes are too few to rank"


@pytest.fixture(scope="module")
def stills(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("stills")
    write_picture(drawn(), folder / "load.jpg")
    write_picture(drawn(labels={"hip": "12 ± 4°"}), folder / "contact.jpg")
    return folder


def text_of(path: Path) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


def printed(tmp_path: Path, document, **rest) -> str:
    return text_of(write_brief(document, tmp_path / "brief.pdf", **rest))


def test_unranked_brief_shows_the_strokes_themselves(tmp_path, stills):
    unranked = PlayerRanking(player="A", kind=Kind.DRIVE, side=Side.FOREHAND, note=NOTE)
    path = tmp_path / "brief.pdf"
    write_brief(brief(THREE, rankings=[unranked], pictures=pictures(stills, THREE)), path)
    said = text_of(path)
    for words in (
        "We found 3 strokes by A.",
        "12 May 2026",
        "Court 2",
        "shot at 120 frames a second and played at 30",
        "Why nothing is ranked",
        NOTE + ".",
        "Stroke 3: forehand, drive",
        "0:04.00 ± 0.02 s",
        "Not ranked",
        "No picture: the player left the view",
        f"not measured: {REASON}",
        "24 ± 4",
        "made_up_measure",
        f"{REASON} 3 of 3",
        "The ball was not looked for.",
        "they are not the turn of the body",
        "Pain ends the drill.",
        "Minors on video.",
        "9.8.7",
        "d1g357",
        HASH,
        HASH[::-1],
        "page 1 of 6",
    ):
        assert words in said
    reader = pypdf.PdfReader(path)
    assert [len(page.images) for page in reader.pages] == [0, 2, 2, 2, 0, 0]


def test_ranked_brief_leads_with_reasons(tmp_path):
    said = printed(tmp_path, brief(THREE, rankings=[ranking(THREE)]))
    assert "Best strokes" in said
    assert "Weakest strokes" in said
    assert "stroke 1 came out best and stroke 3 weakest" in said
    assert "Stroke 1, forehand, drive, at 0:04.00. Every measure was inside its target." in said
    assert "One of the best" in said
    assert "The hand was slow at contact" in said
    assert "Stroke 2: " not in said
    assert "Why nothing is ranked" not in said


def test_every_score_is_shown_with_both_uncertainties(tmp_path):
    """0.10 and 0.05 as standard uncertainties are ± 0.20 and ± 0.10 at 95 %."""
    said = printed(tmp_path, brief(THREE, rankings=[ranking(THREE)]))
    assert "Scores" in said
    assert "Stroke 3 0:12.00 forehand, drive −0.50 0.20 0.10 90 %" in said
    assert "The second ± leaves that part out" in said
    assert "Score 0.00 ± 0.20, of which ± 0.10 counts against the others" in said


def test_scores_of_unranked_strokes_are_shown_without_a_place(tmp_path):
    unranked = replace(ranking(THREE), best=(), worst=(), note=NOTE)
    said = printed(tmp_path, brief(THREE, rankings=[unranked]))
    assert "Stroke 3 0:12.00 forehand, drive −0.50 0.20 0.10 cannot be told" in said


def test_a_ranking_may_name_only_best_or_only_weakest_strokes(tmp_path):
    said = printed(tmp_path, brief(THREE, rankings=[ranking(THREE, best=0)]))
    assert "stroke 3 came out weakest; which are best cannot be told surely" in said
    assert "None that could be told surely from the player’s middle." in said
    said = printed(tmp_path, brief(THREE, rankings=[ranking(THREE, worst=0)]))
    assert "stroke 1 came out best; which are weakest cannot be told surely" in said
    assert "None that could be told surely from the player’s middle." in said


def test_pages_are_shared_between_groups_first_places_first(tmp_path):
    others = [stroke(n, side=Side.BACKHAND, kind=Kind.SLICE) for n in (4, 5, 6)]
    rankings = [ranking(THREE, best=2), ranking(others, best=2)]
    made = brief([*THREE, *others], rankings=rankings, strokes_shown=4)
    shown = [s.heading.split(":")[0] for s in made.sections if s.name == "stroke"]
    assert shown == ["Stroke 1", "Stroke 3", "Stroke 4", "Stroke 6"]


def test_strokes_beyond_those_shown_are_counted(tmp_path):
    made = brief(THREE, strokes_shown=1)
    assert "2 more strokes are in the list" in printed(tmp_path, made)


def test_player_without_strokes_is_told_so(tmp_path):
    said = printed(tmp_path, brief([stroke(1, player="B")]))
    assert "We found no stroke by A" in said
    assert "Pain ends the drill." in said


def test_strokes_of_other_players_are_left_aside(tmp_path):
    assert "We found one stroke by A." in printed(
        tmp_path, brief([stroke(1), stroke(2, player="B")])
    )


def test_rankings_of_other_players_are_left_aside(tmp_path):
    others = [stroke(n, player="B") for n in (4, 5)]
    said = printed(tmp_path, brief([stroke(1), *others], rankings=[ranking(others)]))
    assert "No comparison of strokes was made for this player." in said
    assert "Best strokes" not in said


def test_printed_name_may_differ_from_the_recorded_one(tmp_path):
    assert "one stroke by Player A." in printed(tmp_path, brief([stroke(1)], called="Player A"))


def test_what_changed_most_is_named_only_beyond_the_uncertainty(tmp_path):
    assert "what changed most was the hand speed at contact" in printed(tmp_path, brief(THREE))
    alike = [stroke(n, shift=0.1 * n) for n in (1, 2, 3)]
    assert "no measure changed by more than our uncertainty" in printed(tmp_path, brief(alike))


def test_steep_lines_are_not_taken_for_a_change(tmp_path):
    # Tilts of 88° and −88° are 4° apart.
    steep = [
        replace(
            stroke(n),
            measures=(replace(stroke(n).measures[0], value=value, name="hip_line_at_contact_deg"),),
        )
        for n, value in ((1, 88.0), (2, -88.0), (3, 89.0))
    ]
    assert "no measure changed" in printed(tmp_path, brief(steep))


def test_many_strokes_are_summed_up_and_listed(tmp_path):
    many = [stroke(n, shift=0.1 * n) for n in range(1, 301)]
    path = tmp_path / "brief.pdf"
    write_brief(brief(many, strokes_shown=1), path)
    said = text_of(path)
    assert "Middle value of each group" in said
    assert "Stroke 200 13:20.00" in said
    assert "100 more strokes are in the tables" in said


def test_few_strokes_of_a_group_get_no_middle_value(tmp_path):
    few = [stroke(n, kind=Kind.SLICE) for n in (20, 21, 22)]
    many = [stroke(n) for n in range(1, 13)]
    assert "too few (n = 3)" in printed(tmp_path, brief([*many, *few]))


def test_units_follow_the_setting(tmp_path):
    assert "36.0 ± 3.5 km/h" in printed(tmp_path, brief([stroke(1)]))
    assert "22.4 ± 2.2 mph" in printed(tmp_path, brief([stroke(1)], units="US"))


def test_unsure_kind_is_said(tmp_path):
    said = printed(tmp_path, brief([stroke(1, kind=Kind.UNSURE)]))
    assert "For one of them we could not settle drive, slice or other" in said
    assert "drive 70 %, slice 20 %, other 10 %" in said


def test_certainty_is_never_printed_as_whole(tmp_path):
    one = stroke(1)
    sure = {Kind.DRIVE: 1.0, Kind.SLICE: 0.0, Kind.OTHER: 0.0}
    said = printed(
        tmp_path, brief([replace(one, stroke=replace(one.stroke, kind_probabilities=sure))])
    )
    assert "drive > 99 %, slice < 1 %" in said


def test_faults_of_recordings_are_listed(tmp_path):
    made = brief([stroke(1)])
    facts = replace(_facts(), faults=("The session file names a court that is not there.",))
    facts = replace(facts, recordings=(info(faults=("It breaks off at 1:05.",)),))
    said = printed(tmp_path, brief([stroke(1)], session_facts=facts))
    assert "court.mp4: It breaks off at 1:05." in said
    assert "names a court that is not there" in said
    assert "breaks off" not in printed(tmp_path, made)


def _facts() -> SessionFacts:
    return SessionFacts(date=None, venue=None, recordings=(info(),))


def test_missing_date_and_venue(tmp_path):
    said = printed(tmp_path, brief([stroke(1)], session_facts=_facts()))
    assert "date not given" in said
    assert "Venue" not in said


def test_strokes_of_several_recordings_carry_their_names(tmp_path):
    both = [stroke(1), stroke(1, recording="second.mp4")]
    assert "Stroke 1 of second.mp4" in printed(tmp_path, brief(both))


@pytest.mark.parametrize("name", ["Ana & <Bo> “>”", "Željko Đ.", "Ольга", "Ελένη", "{player}"])
def test_names_are_printed_as_written(tmp_path, name):
    said = printed(tmp_path, brief([stroke(1, player=name)], player=name))
    assert f"We found one stroke by {name}." in said
    assert f"{name} · 12 May 2026 · page 1 of" in said
    assert "▯" not in said


def test_letters_that_no_font_has_are_owned_up_to(tmp_path):
    name = "山田"
    path = write_brief(brief([stroke(1, player=name)], player=name), tmp_path / "brief.pdf")
    said = text_of(path)
    assert "▯▯" in said
    assert "Letters of this name that the page’s font lacks" in said
    assert name in pypdf.PdfReader(path).metadata.title


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (210, 297)), ("Letter", (215.9, 279.4))])
def test_paper_sizes(tmp_path, paper, size_mm):
    path = write_brief(brief(THREE), tmp_path / "brief.pdf", page_size=paper)
    page = pypdf.PdfReader(path).pages[0]
    points = [float(v) for v in page.mediabox[2:]]
    assert [p / 72 * 25.4 for p in points] == pytest.approx(size_mm, abs=0.1)  # ISO 216; ANSI A


def test_properties_bookmarks_and_page_numbers(tmp_path):
    path = write_brief(brief(THREE), tmp_path / "brief.pdf")
    reader = pypdf.PdfReader(path)
    assert reader.metadata.title == "Stroke brief, A, 12 May 2026"
    assert reader.metadata.author == "paddlebrief 9.8.7"
    assert reader.metadata.subject
    assert reader.metadata.creation_date.isoformat() == "2026-05-13T03:12:00+00:00"
    assert reader.trailer["/Root"]["/Lang"] == "en"
    marks = [mark.title for mark in reader.outline]
    assert marks[:2] == ["Stroke 1: forehand, drive", "Stroke 2: forehand, drive"]
    assert "Before you use it" in marks
    for number, page in enumerate(reader.pages, start=1):
        assert f"page {number} of {len(reader.pages)}" in " ".join(page.extract_text().split())


def test_same_brief_gives_the_same_bytes(tmp_path, stills):
    made = brief(THREE, pictures=pictures(stills, THREE))
    first, second = (write_brief(made, tmp_path / f"{n}.pdf").read_bytes() for n in "ab")
    assert first == second


def test_everything_drawn_is_tagged_and_pictures_are_described(tmp_path, stills):
    path = tmp_path / "brief.pdf"
    write_brief(brief(THREE, pictures=pictures(stills, THREE)), path)
    with pikepdf.open(path) as pdf:
        assert pdf.Root.MarkInfo.Marked
        numbers = pdf.Root.StructTreeRoot.ParentTree.Nums
        owners = {int(numbers[i]): numbers[i + 1] for i in range(0, len(numbers), 2)}
        for page in pdf.pages:
            marked = list(_marked_content(page))
            assert marked == list(range(len(owners[page.obj.StructParents])))
        elements = list(_elements(pdf.Root.StructTreeRoot.K))
        roles = [(str(e.S), str(e.get("/Alt", ""))) for e in elements]
        heads = [e for e in elements if e.S == "/TH"]
        assert all(e.A.Scope == "/Column" for e in heads)
    figures = [alternative for role, alternative in roles if role == "/Figure"]
    assert len(figures) == 6
    assert all("A, Stroke" in alternative for alternative in figures)
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/L", "/LBody"} <= {role for role, _ in roles}


def _marked_content(page: pikepdf.Page):
    """Numbers of marked content in order; fails on anything drawn outside of marks."""
    depth = 0
    for operands, operator in pikepdf.parse_content_stream(page):
        name = str(operator)
        if name in ("BDC", "BMC"):
            assert depth == 0
            depth += 1
            if name == "BDC":
                yield int(operands[1].MCID)
        elif name == "EMC":
            depth -= 1
        elif name in ("Tj", "TJ", "Do", "S", "f", "f*", "B", "b", "s"):
            assert depth == 1, name
    assert depth == 0


def _elements(element):
    yield element
    for kid in element.K:
        if "/S" in kid:
            yield from _elements(kid)


def test_all_fonts_are_embedded(tmp_path):
    path = write_brief(brief([stroke(1)]), tmp_path / "brief.pdf")
    with pikepdf.open(path) as pdf:
        used = [font for page in pdf.pages for font in page.resources.Font.values()]
        embedded = {str(f.BaseFont): "/FontFile2" in f.get("/FontDescriptor", {}) for f in used}
    assert embedded
    assert [name for name, inside in embedded.items() if not inside] == []


def test_nothing_half_written_is_left(tmp_path):
    path = tmp_path / "brief.pdf"
    path.write_text("the one from before")
    lost = pictures(tmp_path / "lost", [stroke(1)])
    with pytest.raises(OSError, match="lost"):
        write_brief(brief([stroke(1)], pictures=lost), path)
    assert path.read_text() == "the one from before"
    assert [p.name for p in tmp_path.iterdir()] == ["brief.pdf"]


def test_endless_reasons_and_names_still_fit(tmp_path):
    name = "Maximiliana" * 40
    strokes = [stroke(n, player=name) for n in range(1, 9)]
    ranked = ranking(strokes, best=4, worst=4)
    wordy = [replace(r, reasons=("It was late and " * 300,)) for r in (*ranked.best, *ranked.worst)]
    ranked = replace(ranked, best=tuple(wordy[:4]), worst=tuple(wordy[4:]))
    path = tmp_path / "brief.pdf"
    write_brief(brief(strokes, rankings=[ranked], player=name, notes=["word" * 2000]), path)
    assert "It was late and It was late" in text_of(path)
    for number, page in enumerate(pypdf.PdfReader(path).pages, start=1):
        assert f"Maximiliana · 12 May 2026 · page {number} of" in " ".join(
            page.extract_text().split()
        )


def test_labels_of_lines_follow_their_measures():
    one = stroke(1)
    tilt = replace(one.measures[0], name="shoulder_line_at_load_deg", value=-3.4, sd=1.0)
    labelled = replace(one, measures=(*one.measures, tilt))
    assert line_labels(labelled, instant="load") == {"shoulder": "−3 ± 2°"}
    assert line_labels(labelled, instant="finish") == {}


def test_page_of_a_recording_without_strokes(tmp_path):
    page = no_stroke(
        info=info("juggle.mp4", faults=("It breaks off at 1:05.",)),
        people=2,
        provenance=provenance(),
    )
    said = text_of(write_status(page, tmp_path / "status.pdf"))
    for words in (
        "No stroke found",
        "juggle.mp4 from 0:00.50 to 1:05.50",
        "We followed 2 people.",
        "paddlebrief check juggle.mp4",
        "It breaks off at 1:05.",
        HASH,
        "page 1 of 1",
    ):
        assert words in said


@pytest.mark.parametrize(("people", "words"), [(0, "nobody long enough"), (1, "one person")])
def test_people_on_the_status_page(tmp_path, people, words):
    page = no_stroke(info=info(), people=people, provenance=provenance())
    assert words in text_of(write_status(page, tmp_path / "status.pdf"))


def test_page_of_a_failed_recording_tells_the_error_part_by_part(tmp_path):
    error = FootageError(
        "it holds no video stream",
        file="/club/voice & talk.mp4",
        expected="a stream of pictures",
        found="one of sound",
        todo="record it again",
    )
    page = failed(recording="/club/voice & talk.mp4", error=error, provenance=provenance())
    said = text_of(write_status(page, tmp_path / "status.pdf", page_size="Letter"))
    for words in (
        "This recording could not be used",
        "voice & talk.mp4",
        "It holds no video stream. Expected: a stream of pictures. Found: one of sound.",
        "Record it again.",
    ):
        assert words in said
    assert "/club" not in said


def test_page_of_a_failed_program_owns_up(tmp_path):
    page = failed(recording="a.mp4", error=KeyError("wrist"), provenance=provenance())
    said = text_of(write_status(page, tmp_path / "status.pdf"))
    assert "The program itself failed: KeyError, 'wrist'." in said
    assert "send the log" in said
