"""The frame of a page: its head, the way to the other pages, and the line that stands below each."""

from __future__ import annotations

from html import escape

# Below the service's own address, so that a proxy may put it anywhere.
PLACES = {"": "Start", "docs": "API", "guide": "Guides", "problems": "Problems"}
NOT_MEDICAL = "Not a medical device. Local protocol and licensed practice decide."
PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{title}</title>
<link rel="icon" href="{root}favicon.svg" type="image/svg+xml">
<link rel="stylesheet" href="{root}look.css">{more}
</head>
<body>
<a class="skip" href="#main">To the text</a>
<header class="top"><div>
<a class="brand" href="{home}"><img src="{root}favicon.svg" alt="">Quietcuff</a>
<nav aria-label="Pages">{links}</nav>
</div></header>
<main class="page {kind}" id="main" tabindex="-1">
{body}
</main>
<footer class="foot"><div><p>{foot}</p></div></footer>
</body>
</html>
"""


def framed(title: str, body: str, *, place: str, depth: int = 0, kind: str = "prose", more: str = "") -> bytes:
    """A whole page. ``body`` and ``more``, which ends the head, are HTML; ``depth`` counts the folders above the page."""
    root = "../" * depth
    links = "".join(
        f'<a href="{root + path or "./"}"{" aria-current=page" if path == place else ""}>{name}</a>'
        for path, name in PLACES.items()
    )
    return PAGE.format(
        title=escape(title if title == "Quietcuff" else f"{title} – Quietcuff"),
        root=root,
        home=root or "./",
        more=more,
        links=links,
        kind=kind,
        body=body,
        foot=NOT_MEDICAL,
    ).encode()
