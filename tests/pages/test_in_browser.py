"""The pages in a real browser: no errors, no sideways scroll, nothing cut off, readable."""

from dataclasses import replace

import pytest
from browser import browser_session, find_browser
from report_samples import jar_dict, unread_dict, weight_dict, write_jar
from sand_record import FINE, record

from jarvision.core.units import UnitSystem
from jarvision.pages.write import write_report
from jarvision.results.cache import keep_run
from jarvision.results.codec import json_of

_, _, MISSING = find_browser()
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(bool(MISSING), reason=MISSING or "browser found"),
]

PHONE, DESK = (360, 740), (1280, 900)
JARS = ("report-5.html", "report-7.html", "report-12.html", "report-20.html")
PAGES = ("report.html", *JARS, "howto.html")


@pytest.fixture(scope="module")
def browser():
    with browser_session() as session:
        yield session


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Jars of every kind: with and without weight, scale and doubts, unread, with long names."""
    path = tmp_path_factory.mktemp("pages")
    doubts = [{"name": "dim", "sentence": "A" * 200}, {"name": "soft", "sentence": "Soft photo."}]
    long = "behind-the-shed_" * 15
    weight = weight_dict(prior_note="Mostly assumption.")
    write_jar(path, jar_dict("5", by_weight=weight, name="Anna-Sophia of class 3b"))
    told = {"doubts": doubts, "scaled": False, "name": long}
    write_jar(path, jar_dict("12", pcts=(60.0, 25.0, 15.0), **told))
    write_jar(path, unread_dict("7"))
    write_jar(path, jar_dict(long, pcts=(2.0, 3.0, 95.0)), stem="long", pictures=False)
    sandy = replace(record(FINE, stones=1, stones_share=0.01), jar="20")
    (path / "jar-20.json").write_text(json_of(sandy), encoding="utf-8")
    (path / "beds.csv").write_text(
        f"jar,bed,depth,dug,area,om,notes\n5,{long},0-6 in,2026-05-01,100 sqft,3,{long}\n"
        f"12,{long},6 in,2024,100 sqft,,\n{long},South,6 in,2026-05,50 sqft,,\n"
    )
    keep_run(path, ["jar-5.json", "jar-7.json"])
    write_report(path, units=UnitSystem.US)
    return path


@pytest.fixture(params=[(page, size) for page in PAGES for size in (PHONE, DESK)], ids=str)
def opened(request, browser, folder):
    page, size = request.param
    browser.resize(*size)
    browser.open(folder / page)
    browser.run("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    return browser


def test_no_errors_on_the_console(opened):
    assert opened.log() == []


def test_no_sideways_scroll(opened):
    wide, seen = opened.run(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= seen


def test_nothing_sticks_out_at_the_side(opened):
    assert (
        opened.run(
            """return [...document.querySelectorAll("main *, header *")].filter(node => {
          const box = node.getBoundingClientRect();
          return !node.closest("svg") && !node.closest(".skip") && box.width > 0
            && (box.right > document.documentElement.clientWidth + 1 || box.left < -1);
        }).map(node => node.outerHTML.slice(0, 120))"""
        )
        == []
    )


def test_every_picture_says_what_it_shows(opened):
    assert (
        opened.run(
            """return [...document.querySelectorAll("img, svg")].filter(node => {
          const named = (node.getAttribute("aria-labelledby") || "").split(" ")
            .map(id => (document.getElementById(id) || {}).textContent || "").join("");
          return !(node.getAttribute("alt") || named).trim();
        }).length"""
        )
        == 0
    )
    assert opened.run("return [...document.images].every(i => i.complete && i.naturalWidth > 0)")


def test_words_in_figures_are_not_cut_off(opened):
    assert (
        opened.run(
            """return [...document.querySelectorAll("svg text")].filter(node => {
          const box = node.getBoundingClientRect();
          const frame = node.closest("svg").getBoundingClientRect();
          return box.left < frame.left - 1 || box.right > frame.right + 1
            || box.top < frame.top - 2 || box.bottom > frame.bottom + 2;
        }).map(node => node.textContent)"""
        )
        == []
    )


def test_words_in_figures_are_large_enough_to_read(opened):
    """7 CSS pixels is about the smallest print of a map; words elsewhere are at least 11."""
    assert (
        opened.run(
            """return [...document.querySelectorAll("svg text")].filter(node => {
          const shown = node.closest("svg").getBoundingClientRect().width;
          const scale = shown / node.closest("svg").viewBox.baseVal.width;
          return parseFloat(getComputedStyle(node).fontSize) * scale < 7;
        }).map(node => node.textContent)"""
        )
        == []
    )
    assert (
        opened.run(
            """return Math.min(...[...document.querySelectorAll("main :not(svg, svg *)")]
          .map(node => parseFloat(getComputedStyle(node).fontSize)))"""
        )
        >= 11
    )


CONTRAST = """
const light = (c) => { const v = c.map(p => { p /= 255;
  return p <= 0.03928 ? p / 12.92 : Math.pow((p + 0.055) / 1.055, 2.4); });
  return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
const parts = (text) => text.match(/[\\d.]+/g).map(Number);
const ground = (node) => { for (; node; node = node.parentElement) {
  const colour = parts(getComputedStyle(node).backgroundColor);
  if (colour.length === 3 || colour[3] > 0) { return colour.slice(0, 3); } }
  return [255, 255, 255]; };
return [...document.querySelectorAll("body :not(svg, svg *, script)")].filter(node =>
  [...node.childNodes].some(child => child.nodeType === 3 && child.data.trim())).filter(node => {
  const a = light(parts(getComputedStyle(node).color).slice(0, 3)), b = light(ground(node));
  return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05) < 4.5;
}).map(node => node.outerHTML.slice(0, 100));
"""


def test_text_has_contrast(opened):
    """WCAG 2.1, success criterion 1.4.3 (AA): at least 4.5 to 1, by its own definition."""
    assert opened.run(CONTRAST) == []


def test_the_keyboard_goes_down_the_page(opened):
    """The way of the Tab key is the order of the page, and starts with the skip link."""
    stops = opened.run(
        """return [...document.querySelectorAll("a[href], button, [tabindex]")].map(
          node => [node.tabIndex, node.className])"""
    )
    assert all(index == 0 for index, _ in stops)
    assert stops[0][1] == "skip"


def test_links_on_the_page_are_wide_enough_to_tap(opened):
    """WCAG 2.2, success criterion 2.5.8 (AA): 24 by 24 CSS pixels, links in running text apart."""
    assert (
        opened.run(
            """return [...document.querySelectorAll("nav a, th button")].filter(node => {
          const box = node.getBoundingClientRect();
          return box.width > 0 && (box.width < 24 || box.height < 24);
        }).map(node => node.textContent)"""
        )
        == []
    )


# ------------------------------------------------------------------------------------ the script


def column(browser, index):
    return browser.run(
        """return [...document.querySelectorAll("table.sortable tbody tr")].map(
          row => Number(row.cells[arguments[0]].dataset.rank))""",
        index,
    )


@pytest.mark.parametrize("head", ["Jar", "Name", "Bed", "By weight", "Clay", "Check"])
def test_the_table_sorts_both_ways(browser, folder, head):
    browser.resize(*DESK)
    browser.open(folder / "report.html")
    heads = browser.run(
        """return [...document.querySelectorAll("table.sortable th")].map(h => h.textContent)"""
    )
    index = next(i for i, words in enumerate(heads) if words.startswith(head))
    click = f'document.querySelectorAll("table.sortable thead th")[{index}].firstChild.click()'
    browser.run(click)
    rising = column(browser, index)
    assert rising == sorted(rising)
    assert len(set(rising)) > 1
    browser.run(click)
    assert column(browser, index) == sorted(rising, reverse=True)
    marked = browser.run(
        """return [...document.querySelectorAll("th[aria-sort]")].map(h => h.ariaSort)"""
    )
    assert marked == ["descending"]
    assert browser.log() == []


def test_without_scripts_the_table_is_whole(browser, folder):
    browser.devtools("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.open(folder / "report.html")
        assert browser.screenshot()[:4] == b"\x89PNG"
    finally:
        browser.devtools("Emulation.setScriptExecutionDisabled", value=False)
    made = (folder / "report.html").read_text(encoding="utf-8")
    assert "<button" not in made  # the script makes the buttons, so none is dead without it


def test_the_policy_stops_what_is_not_ours(browser, folder, tmp_path):
    """A script that someone adds to the page does not run: the test of the test above."""
    text = (folder / "report.html").read_text(encoding="utf-8")
    bad = tmp_path / "bad.html"
    bad.write_text(text.replace("</body>", "<script>document.title='owned'</script></body>"))
    browser.open(bad)
    assert browser.run("return document.title") == "Soil jars"
    assert any("Content Security Policy" in entry["message"] for entry in browser.log())


# -------------------------------------------------------------------------------------- on paper

# ISO 216: A4 is 210 × 297 mm; US letter is 215.9 × 279.4 mm. Margins are those of the stylesheet.
PAPER = {"A4": (210, 297), "letter": (215.9, 279.4)}
PX_PER_MM = 96 / 25.4  # CSS Values and Units: 1 in is 96 px


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("paper", PAPER)
def test_no_figure_is_cut_by_the_paper(browser, folder, page, paper):
    wide, tall = (round((mm - 28) * PX_PER_MM) for mm in PAPER[paper])
    browser.resize(wide, tall)
    browser.open(folder / page)
    browser.devtools("Emulation.setEmulatedMedia", media="print")
    try:
        cut = browser.run(
            """return [...document.querySelectorAll("figure, svg, img")].filter(node =>
              node.getBoundingClientRect().height > arguments[0]
              || node.getBoundingClientRect().right > arguments[1] + 1
              || getComputedStyle(node).breakInside !== "avoid"
            ).map(node => node.outerHTML.slice(0, 80))""",
            tall,
            wide,
        )
    finally:
        browser.devtools("Emulation.setEmulatedMedia", media="")
    assert cut == []


@pytest.mark.parametrize("paper", PAPER)
@pytest.mark.parametrize("page", JARS)
def test_a_jar_is_one_printed_page(browser, folder, page, paper):
    import pypdfium2

    browser.devtools("Emulation.clearDeviceMetricsOverride")
    browser.open(folder / page)
    wide, tall = (mm / 25.4 for mm in PAPER[paper])
    made = browser.pdf(paperWidth=wide, paperHeight=tall)
    assert len(pypdfium2.PdfDocument(made)) == 1


def test_the_cloud_by_weight_is_on_the_printed_page(browser, folder):
    """Its colour is looked for in the page as another library draws it."""
    import pypdfium2

    from jarvision.pages.palette import BY_WEIGHT

    browser.open(folder / "report-5.html")
    drawn = pypdfium2.PdfDocument(browser.pdf())[0].render(scale=4).to_numpy().astype(int)
    ink = [int(BY_WEIGHT[i : i + 2], 16) for i in (5, 3, 1)]
    tinted = [255 + 0.35 * (part - 255) for part in ink]  # dots are drawn with this opacity
    assert (abs(drawn[..., :3] - tinted).max(axis=-1) < 12).sum() > 200


def test_a_picture_opens_large_and_closes(browser, folder):
    browser.resize(*PHONE)
    browser.open(folder / "report-5.html")
    wide = "return document.querySelector('#shot-last img').getBoundingClientRect().width"
    small = browser.run(wide)
    browser.run("document.querySelector('#shot-last .open').click()")
    natural = browser.run("return document.querySelector('#shot-last img').naturalWidth")
    assert browser.run(wide) == natural
    browser.run("document.querySelector('#shot-last .close').click()")
    assert browser.run(wide) == small


def test_details_are_closed_until_asked_for(browser, folder):
    browser.resize(*PHONE)
    browser.open(folder / "report-5.html")
    closed = "return [...document.querySelectorAll('details')].map(d => d.open)"
    assert browser.run(closed) == [False] * 3
    tall = browser.run("return document.documentElement.scrollHeight")
    assert tall < 6 * PHONE[1]
    browser.open(folder / "report-20.html")
    assert browser.run(closed) == [False] * 4
