"""HTML from elsewhere made fit to be shown: text, tables and pictures stay, all else goes.

The work is done by `nh3`, the binding of ammonia: it reads HTML as browsers do and is kept up.
bleach, which nbconvert brings along, has been in maintenance alone since 2023 and stands on a
parser that is kept up no more.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import nh3

__all__ = ["plain_styles", "sanitise", "shows_something"]

# Dropped with what they hold; of other tags that are not known the text stays.
WHOLE = {"script", "style", "svg", "math", "iframe", "object", "noscript", "template", "title",
         "head", "textarea", "select", "audio", "video", "canvas", "noembed", "noframes", "xmp",
         "frameset"}
TAGS = (nh3.ALLOWED_TAGS | {"main", "section", "tfoot"}) - {"area", "map"}
ATTRIBUTES = {
    "*": {"align", "class", "data-mime-type", "dir", "id", "lang", "role", "style", "tabindex",
          "title", "valign", "width"},
    "a": {"href"}, "img": {"alt", "height", "src"}, "col": {"span"}, "colgroup": {"span"},
    "details": {"open"}, "ol": {"start", "type"}, "table": {"border"},
    "td": {"colspan", "headers", "rowspan"}, "th": {"colspan", "headers", "rowspan", "scope"},
}
# What lays text over other text, or takes it off the page, is not among them.
PROPERTIES = {
    *("background", "background-color", "break-after", "break-before", "break-inside", "clear",
      "caption-side", "color", "columns", "direction", "display", "flex", "flex-direction",
      "flex-wrap", "float", "gap", "grid-column", "grid-template-columns", "height",
      "justify-content", "letter-spacing", "line-height", "max-height", "max-width", "min-height",
      "min-width", "opacity", "overflow", "overflow-wrap", "overflow-x", "overflow-y",
      "text-align", "text-decoration", "text-indent", "text-transform", "vertical-align",
      "white-space", "width", "word-break", "align-items", "table-layout", "list-style-type"),
    *("font", "font-family", "font-size", "font-style", "font-variant-numeric", "font-weight"),
    *(f"{side}{end}" for side in ("margin", "padding", "border") for end in
      ("", "-top", "-right", "-bottom", "-left")),
    *("border-collapse", "border-color", "border-radius", "border-spacing", "border-style",
      "border-width"),
}
_PICTURE = re.compile(r"data:image/(?:png|jpeg|gif|webp|svg\+xml);base64,[A-Za-z0-9+/=\s]*")
_LINK = re.compile(r"(?:https?://|mailto:|#)[^\s]*|[\w.%-][\w./%-]*(?:#[\w.%-]*)?", re.IGNORECASE)
_FETCHES = re.compile(r"\\|@(?!media\b|page\b|keyframes\b)|[<>]|(?:url|image|image-set|src)\s*\(|"
                      r"expression\s*\(|behavior\s*:|-moz-binding", re.IGNORECASE)
_STYLE = re.compile(r"<style\b[^>]*>(.*?)</style\s*>", re.DOTALL | re.IGNORECASE)


def sanitise(html: str, picture: Callable[[str], str | None] = lambda source: None) -> str:
    """The HTML without anything that runs, fetches or covers the page.

    Parameters
    ----------
    html : str
    picture : callable, optional
        Told where a picture lies that is not in the HTML itself; returns a data URL of it, or
        None to leave it out, as all are by default.
    """
    def kept(tag: str, attribute: str, value: str) -> str | None:
        if attribute == "src":
            value = value.strip() if _PICTURE.fullmatch(value.strip()) else picture(value) or ""
            return value if _PICTURE.fullmatch(value) else None
        if attribute == "href":
            return value if _LINK.fullmatch(value.strip()) else None
        if attribute == "style":
            return None if _FETCHES.search(value) else value
        return value

    html = html.encode("utf-8", "replace").decode()  # half characters, which JSON can hold
    return nh3.clean(html, tags=TAGS, clean_content_tags=WHOLE - TAGS, attributes=ATTRIBUTES,
                     attribute_filter=kept, filter_style_properties=PROPERTIES,
                     url_schemes={"http", "https", "mailto", "data"})


def plain_styles(html: str) -> list[str]:
    """The style sheets inside some HTML that do no more than style, each once.

    Whoever puts them into a page's head needs to check no further: none can end its element,
    and none names anything to fetch.
    """
    return list(dict.fromkeys(s for s in _STYLE.findall(html) if not _FETCHES.search(
        s.replace(">", ""))))


def shows_something(html: str) -> bool:
    """Whether sanitised HTML has a picture or a word in it."""
    return "<img" in html or bool(re.sub(r"<[^>]*>|&nbsp;|\s", "", html))
