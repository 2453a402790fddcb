"""The frame of a report's page, and the pieces that its pages share."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from functools import cache

from jarvision.core.files import shown
from jarvision.core.sections import Section
from jarvision.core.shipped import data_file
from jarvision.core.sources import Bibliography, Statement, legend
from jarvision.pages.markup import Child, Markup, join, raw, tag
from jarvision.pages.palette import css_variables


def page(title: str, *body: Child, sortable: bool = False) -> str:
    """Make a whole page that fetches nothing and runs nothing but what is named in its policy.

    Parameters
    ----------
    title : str
    *body
        What stands in the body.
    sortable : bool
        Whether the page has a table to sort; only then is there a script.

    Returns
    -------
    str
        HTML; write it as UTF-8.
    """
    style, script = css_variables() + _data("report.css"), _data("report.js") if sortable else ""
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=_policy(style, script)),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", title),
        tag("link", rel="icon", href="data:,"),
        tag("style", raw(style)),
    )
    end = tag("script", raw(script)) if script else None
    return f"<!DOCTYPE html>\n{tag('html', head, tag('body', *body, end), lang='en')}\n"


@cache
def _data(name: str) -> str:
    return data_file(name).read_text(encoding="utf-8")


def _policy(style: str, script: str) -> str:
    """Allow the page its own style, script (by their hashes) and pictures, and nothing else."""
    parts = ["default-src 'none'", "img-src data:", f"style-src '{_hash(style)}'"]
    parts += [f"script-src '{_hash(script)}'"] if script else []
    return "; ".join([*parts, "base-uri 'none'", "form-action 'none'"])


def _hash(content: str) -> str:
    digest = hashlib.sha256(content.encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")


def name_of(words: str, *, longest: int = 60) -> Markup:
    """Show a name from a file or a user, kept apart from the writing direction around it."""
    return tag("bdi", shown(words, longest=longest))


def title_of(jar: str) -> str:
    """Call a jar by its name: ``Jar 5``, but ``jar-08`` as it is."""
    name = shown(jar)
    return name if name.casefold().startswith("jar") else f"Jar {name}"


def section(key: str, heading: str, *children: Child, class_: str | None = None) -> Markup:
    """Make a part of the page with its heading; `key` is its anchor."""
    head = tag("h2", heading, id=f"{key}-head")
    return tag("section", head, *children, id=key, class_=class_, aria_labelledby=f"{key}-head")


def subsection(key: str, heading: str, *children: Child) -> Markup:
    """Make a part inside a part."""
    return tag("section", tag("h3", heading), *children, id=key)


def figure(drawing: Markup | None, caption: Child = None, *, class_: str | None = None) -> Markup:
    """Set a drawing with its caption; nothing when there is no drawing."""
    if drawing is None:
        return Markup("")
    return tag("figure", drawing, tag("figcaption", caption) if caption else None, class_=class_)


def said(statements: Iterable[Statement], sources: Bibliography, *, ranked: bool = False) -> Markup:
    """List statements, each with the marks of its sources."""
    items = (tag("li", s.text, " ", tag("span", sources.tag(s), class_="mark")) for s in statements)
    return tag("ol" if ranked else "ul", items, class_="said")


def bullets(items: Iterable[Child]) -> Markup:
    """List anything."""
    return tag("ul", [tag("li", item) for item in items], class_="said")


def section_statements(sections: Iterable[Section]) -> list[Statement]:
    """List the statements of several sections."""
    return [statement for part in sections for statement in part.statements]


def once(statements: Iterable[Statement]) -> list[Statement]:
    """Drop statements that say the same."""
    return list({statement.text: statement for statement in statements}.values())


def sources_section(sources: Bibliography) -> Markup:
    """List the sources with their marks."""
    rows = (line.partition(": ") for line in sources.lines())
    items = (tag("li", tag("b", mark), rest) for mark, _, rest in rows)
    lead = tag("p", f"Marks: {legend()}.", class_="note")
    return section("sources", "Sources", lead, tag("ul", items, class_="sources"))


def cautions_section(statements: Sequence[Statement], sources: Bibliography) -> Markup:
    """List the cautions in a box of their own."""
    return section("cautions", "Cautions", said(statements, sources), class_="cautions")


def contents(links: Iterable[tuple[str, str]]) -> Markup:
    """Link to the parts of the page."""
    items = (tag("li", tag("a", words, href=f"#{key}")) for key, words in links)
    return tag("nav", tag("ul", items), aria_label="On this page")


def facts(pairs: Iterable[tuple[str, Child]]) -> Markup:
    """List names and values, those without a value left out."""
    known = [(name, value) for name, value in pairs if value]
    return tag("dl", [join(tag("dt", n), tag("dd", v)) for n, v in known], class_="facts")


def skip_link() -> Markup:
    """Let the keyboard pass over what stands before the reading."""
    return tag("a", "Skip to the reading", href="#main", class_="skip")
