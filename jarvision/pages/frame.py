"""A report's pages: templates with everything escaped, and what all of them share.

A page's shape is in its file in ``templates/``. It fetches nothing, and runs nothing but what its
own policy names.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined

from jarvision.core.files import shown
from jarvision.core.packaged_files import data_file
from jarvision.core.sources import legend
from jarvision.pages.markup import Markup, raw, tag, text
from jarvision.pages.page_cache import FOLDER_PAGE, TEST_PAGE
from jarvision.pages.palette import css_variables
from jarvision.results.readings_table import jar_title


def page(template: str, /, *, sortable: bool = False, **given: Any) -> str:
    """Fill in a template.

    Parameters
    ----------
    template : str
        Name of a file in ``templates/``.
    sortable : bool
        Whether the page has a table to sort; only then is there a script.
    **given
        What the template names; text in it is shown as text, never as markup.

    Returns
    -------
    str
        A whole page of HTML; write it as UTF-8.
    """
    style = css_variables() + _data("report.css")
    script = _data("report.js") if sortable else ""
    shared = {"style": raw(style), "script": raw(script), "policy": _policy(style, script)}
    return _templates().get_template(template).render(**shared, **given) + "\n"


@cache
def _templates() -> Environment:
    made = Environment(
        loader=PackageLoader("jarvision.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["url"] = quote
    made.globals |= {
        "bdi": name_of,
        "title_of": title_of,
        "legend": legend(),
        "test_page": TEST_PAGE,
        "folder_page": FOLDER_PAGE,
    }
    return made


def _finalize(value: object) -> object:
    """Clean what a template prints of controls and direction marks; None is nothing."""
    if value is None:
        return ""
    return text(value) if isinstance(value, str) else value


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


def name_of(words: str, longest: int = 60) -> Markup:
    """Show a name from a file or a user, kept apart from the writing direction around it."""
    return tag("bdi", shown(words, longest=longest))


def title_of(jar: str) -> str:
    """Call a jar by its name: ``Jar 5``, but ``jar-08`` as it is."""
    return jar_title(shown(jar))
