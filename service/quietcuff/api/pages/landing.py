"""The first page: what this is, and where to go."""

from __future__ import annotations

from quietcuff import __version__
from quietcuff.api.pages.frame import framed

BODY = """<h1>Quietcuff</h1>
<p class="lead">Raw blood-pressure readings of one sitting go in. One honest result comes out: which readings count and why, one
mean, what guidelines call it, how sure that is, and what to do next. It is kept, and handed on as FHIR R4.</p>
<p class="notice">Not a medical device. Chest pain, breathlessness, confusion, weakness on one side, trouble seeing or speaking:
act now by local protocol, and wait for no service to say so.</p>
<ul class="cards">
{cards}</ul>
<h2>For programs</h2>
<ul>
<li><a href="openapi.json"><code>/openapi.json</code></a> describes every request.</li>
<li><a href="fhir/R4/metadata"><code>/fhir/R4/metadata</code></a> says what of FHIR is spoken.</li>
<li><a href="health/ready"><code>/health/ready</code></a> says whether the service can serve.</li>
</ul>
<p class="soft">Version {version}. A key is made with <code>quietcuff keys create</code>.</p>
"""
CARD = '<li{kind}><a href="{path}">{name}</a><p>{about}</p></li>\n'
BEDSIDE = ("bedside/", "A guided sitting", "Measure an invented person step by step, in this browser.")
WAYS = (
    ("docs", "The API", "Every request, with examples and answers. Evaluations and reading sets come first."),
    ("guide/integrator", "From a key to an Observation", "The first sitting over HTTP, step by step."),
    ("guide", "All guides", "For clinics, integrators, operators and analysts."),
    ("guide/safety", "What is promised, and where a person decides", "Safety, group by group."),
    ("problems", "Problems", "Every error, and what to do about it."),
)


def landing_page(*, has_bedside: bool) -> bytes:
    """The page; it leads to the guided sitting where that is served."""
    ways = (BEDSIDE, *WAYS) if has_bedside else WAYS
    cards = "".join(
        CARD.format(kind=' class="first"' if way is BEDSIDE else "", path=way[0], name=way[1], about=way[2]) for way in ways
    )
    return framed("Quietcuff", BODY.format(cards=cards, version=__version__), place="")
