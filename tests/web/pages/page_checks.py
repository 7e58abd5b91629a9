"""What every page must hold to, read from its HTML: headings, landmarks, labels, no inline style or script, references."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import Any

VOID = {"area", "base", "br", "col", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


class Element:
    """One element with its attributes and the text inside it."""

    def __init__(self, tag: str, attrs: dict[str, str | None], inside: tuple[str, ...]) -> None:
        self.tag, self.attrs, self.inside = tag, attrs, inside
        self.text = ""

    def get(self, name: str, default: str = "") -> str:
        """Return an attribute's value."""
        value = self.attrs.get(name, default)
        return "" if value is None else value


class Page(HTMLParser):
    """A page as a flat list of elements, each with the tags around it."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[Element] = []
        self._open: list[Element] = []
        self.faults: list[str] = []
        self.feed(html)
        self.faults += [f"<{e.tag}> is never closed" for e in self._open]

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        element = Element(tag, dict(attrs), tuple(e.tag for e in self._open))
        self.elements.append(element)
        if tag not in VOID:
            self._open.append(element)

    def handle_startendtag(self, tag: str, attrs: Any) -> None:
        self.elements.append(Element(tag, dict(attrs), tuple(e.tag for e in self._open)))

    def handle_endtag(self, tag: str) -> None:
        if self._open and self._open[-1].tag == tag:
            self._open.pop()
        else:
            self.faults.append(f"</{tag}> closes <{self._open[-1].tag if self._open else 'nothing'}>")

    def handle_data(self, data: str) -> None:
        for element in self._open:
            element.text += data

    def all(self, tag: str, **attrs: str) -> list[Element]:
        """Return the elements of a kind that have these attribute values."""
        return [
            e
            for e in self.elements
            if e.tag == tag and all(e.get(k.rstrip("_")) == v for k, v in attrs.items())
        ]

    def one(self, tag: str, **attrs: str) -> Element:
        """Return the only such element."""
        found = self.all(tag, **attrs)
        assert len(found) == 1, f"{len(found)} <{tag}> with {attrs}"
        return found[0]

    def field(self, name: str) -> Element:
        """Return the field of a form by its name."""
        found = [
            e for e in self.elements if e.tag in ("input", "select", "textarea") and e.get("name") == name
        ]
        assert found, f"no field {name}"
        return found[0]

    def links(self) -> list[str]:
        """Return where the page's links go."""
        return [e.get("href") for e in self.all("a") if "href" in e.attrs]

    @property
    def text(self) -> str:
        """All text between the tags of the content."""
        return " ".join(self.one("main").text.split())


def check_page(html: str) -> Page:
    """Read a page and hold it to what all pages must be."""
    page = Page(html)
    assert page.faults == [], page.faults
    assert page.one("html").get("lang").startswith("en")
    (title,) = [e.text.strip() for e in page.all("title") if "head" in e.inside]
    assert title.endswith("· Midstance")
    assert len(title) > len("· Midstance")
    assert len(page.all("h1")) == 1, [e.text for e in page.all("h1")]
    assert page.one("h1").inside.count("main") == 1
    assert page.one("h1").text.strip()
    assert page.one("main").get("id") == "main"
    assert page.all("a", href="#main"), "no skip link"
    assert len(page.all("header", class_="top")) == 1
    assert page.all("footer")
    _check_policy(page)
    _check_references(page)
    _check_labels(page)
    return page


def _check_policy(page: Page) -> None:
    """Hold it to the content policy: no script or style within the page."""
    assert page.all("style") == []
    for element in page.elements:
        inline = [a for a in element.attrs if a == "style" or a.startswith("on")]
        assert not inline, f"<{element.tag}> has {inline}"
        for name in ("href", "src", "action", "poster"):
            value = element.get(name)
            assert not value.lower().startswith(("javascript:", "http:", "https:", "//")), (
                f"<{element.tag} {name}={value}>"
            )
    for script in page.all("script"):
        assert script.get("src").startswith("/static/")
        assert not script.text.strip()


def _check_references(page: Page) -> None:
    ids = [e.get("id") for e in page.elements if "id" in e.attrs]
    assert len(ids) == len(set(ids)), f"twice: {sorted({i for i in ids if ids.count(i) > 1})}"
    known = set(ids)
    for element in page.elements:
        for name in ("aria-labelledby", "aria-describedby", "for"):
            for one in element.get(name).split():
                assert one in known, f"<{element.tag} {name}={one}> points nowhere"
        href = element.get("href")
        if element.tag in ("a", "use") and href.startswith("#") and len(href) > 1:
            assert href[1:] in known, f"{href} points nowhere"


def _check_labels(page: Page) -> None:
    labelled = {e.get("for") for e in page.all("label")}
    for element in page.elements:
        if element.tag not in ("input", "select", "textarea") or element.get("type") == "hidden":
            continue
        named = element.get("id") in labelled or "label" in element.inside or "aria-label" in element.attrs
        assert named, f"{element.attrs} has no label"
    for form in page.all("form"):
        if form.get("method") == "post":
            index = page.elements.index(form)
            first = next(e for e in page.elements[index + 1 :] if e.tag in ("input", "select", "textarea"))
            assert first.get("name") == "csrf", f"the token isn't the first field of {form.attrs}"
    for button in page.all("button"):
        assert button.text.strip() or "aria-label" in button.attrs, f"{button.attrs} has no name"
    for link in page.all("a"):
        hidden = link.get("aria-hidden") == "true" or "svg" in link.inside
        pictured = any(i.get("alt") for i in page.elements[page.elements.index(link) + 1 :][:3] if i.tag == "img")
        assert hidden or pictured or link.text.strip() or "aria-label" in link.attrs, f"{link.attrs} has no name"
    for image in page.all("img"):
        assert "alt" in image.attrs, f"{image.attrs} has no words"
        assert image.get("width"), f"{image.attrs} has no size, so it moves the page"
