"""SVG files as a tree of elements with their styles: nothing outside the file is ever opened.

The parser is expat of the standard library. A document type that declares anything of its own
(entities among it), more than `DEEPEST` elements within each other, or references to other
files are refused before anything is drawn. Of style sheets, rules for an element's name, class or
id count (CSS 2.1, section 6.4: the more specific wins; a `style` attribute wins over all).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from hysteresis.errors import InputError
from hysteresis.paths.notes import Tally
from hysteresis.paths.text_blocks import check_ordinary

MOST_BYTES = 64 * 1024 * 1024
DEEPEST = 100
MOST_ELEMENTS = 300_000
SVG_SPACE = "http://www.w3.org/2000/svg "
HREFS = ("href", "http://www.w3.org/1999/xlink href")

INHERITED = ("stroke", "stroke-width", "stroke-opacity", "visibility")
_STYLED = frozenset((*INHERITED, "display", "opacity", "transform"))
_RULE = re.compile(r"([^{}]+)\{([^{}]*)\}")
_SELECTOR = re.compile(r"(\*|[A-Za-z][\w-]*)?(?:([.#])([\w-]+))?")


@dataclass
class Element:
    """One element: its name without namespace, its attributes, the line it begins on.

    An element of a foreign namespace has an empty name.
    """

    name: str
    attributes: dict[str, str]
    line: int
    children: list[Element] = field(default_factory=list)
    text: list[str] = field(default_factory=list)


Rule = tuple[int, str, str, dict[str, str]]  # how specific, element's name, .class or #id, style


def read_tree(path: Path | str) -> Element:
    """The root element of an SVG file; InputError for what is none, too large or not safe."""
    size = check_ordinary(path)
    if size > MOST_BYTES:
        raise InputError(
            f"the drawing is too large: {size / 2**20:.0f} MB, at most {MOST_BYTES >> 20} MB",
            file=path, mend="split it into several drawings and name them in a job file",
        )  # fmt: skip
    stack: list[Element] = []
    roots: list[Element] = []
    count = 0
    parser = expat.ParserCreate(namespace_separator=" ")

    def fault(what: str, mend: str) -> InputError:
        return InputError(what, file=path, row=parser.CurrentLineNumber, mend=mend)

    def begin(name: str, attributes: dict[str, str]) -> None:
        nonlocal count
        count += 1
        if count > MOST_ELEMENTS:
            raise fault(f"more than {MOST_ELEMENTS} elements", "split the drawing")
        if len(stack) >= DEEPEST:
            raise fault(f"more than {DEEPEST} elements within each other", "ungroup the drawing")
        local = name.removeprefix(SVG_SPACE)
        element = Element("" if " " in local else local, attributes, parser.CurrentLineNumber)
        (stack[-1].children if stack else roots).append(element)
        stack.append(element)

    def end(_: str) -> None:
        stack.pop()

    def characters(text: str) -> None:
        if stack[-1].name == "style":
            stack[-1].text.append(text)

    def doctype(_name: str, _system: str | None, _public: str | None, internal: bool) -> None:
        if internal:
            raise fault(
                "the file declares a document type of its own, which may hold entities",
                "save the drawing as plain SVG, without a DOCTYPE",
            )

    def entity(*_: object) -> None:
        raise fault("the file declares entities", "save the drawing as plain SVG")

    def external(*_: object) -> int:
        raise fault("the file refers to an entity outside it", "save it as plain SVG")

    def instruction(target: str, _: str) -> None:
        if target == "xml-stylesheet":
            raise fault(
                "the drawing takes its styles from another file", "put them into the drawing"
            )

    parser.StartElementHandler, parser.EndElementHandler = begin, end
    parser.CharacterDataHandler, parser.StartDoctypeDeclHandler = characters, doctype
    parser.EntityDeclHandler, parser.ExternalEntityRefHandler = entity, external
    parser.ProcessingInstructionHandler = instruction
    try:
        with open(path, "rb") as file:
            while block := file.read(1 << 16):
                parser.Parse(block, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise InputError(
            f"this is not valid XML: {expat.ErrorString(error.code)}", file=path,
            row=error.lineno, mend="save the drawing again as plain SVG in UTF-8",
        ) from error  # fmt: skip
    except (LookupError, ValueError) as error:  # an encoding that Python does not know
        raise InputError(
            "the text cannot be decoded", file=path, mend="save the drawing in UTF-8"
        ) from error
    except OSError as error:
        raise InputError(f"this file cannot be read: {error.strerror}", file=path) from error
    if not roots or roots[0].name != "svg":
        raise InputError(
            "this is no SVG drawing: its outermost element is not svg", file=path, row=1,
            mend="name an SVG file",
        )  # fmt: skip
    return roots[0]


def everything(root: Element) -> Iterator[Element]:
    """All elements, in the order of the file."""
    stack = [root]
    while stack:
        element = stack.pop()
        yield element
        stack.extend(reversed(element.children))


def style_rules(root: Element, path: Path | str, tally: Tally) -> list[Rule]:
    """The rules of all style sheets, least specific first."""
    rules: list[tuple[int, int, Rule]] = []
    for element in everything(root):
        if element.name != "style":
            continue
        sheet = re.sub(r"/\*.*?\*/", "", "".join(element.text), flags=re.DOTALL)
        if "@import" in sheet.lower():
            raise InputError(
                "the drawing takes its styles from another file", file=path, row=element.line,
                mend="put them into the drawing",
            )  # fmt: skip
        for selectors, body in _RULE.findall(sheet):
            style = declarations(body)
            for selector in selectors.split(","):
                found = _SELECTOR.fullmatch(selector.strip())
                if not found or not selector.strip():
                    if style.keys() & _STYLED:
                        tally.note("style rules of other kinds than name, .class and #id are "
                                   "left out", element.line)  # fmt: skip
                    continue
                name, kind, of = found[1] or "*", found[2] or "", found[3] or ""
                weight = (name != "*") + {"": 0, ".": 10, "#": 100}[kind]
                rules.append((weight, len(rules), (weight, name, kind + of, style)))
    return [rule for _, _, rule in sorted(rules, key=lambda each: each[:2])]


def style_of(element: Element, rules: list[Rule]) -> dict[str, str]:
    """What an element itself says of the properties that matter here."""
    own = {k: v.strip() for k, v in element.attributes.items() if k in _STYLED}
    marks = {"", *(f".{name}" for name in element.attributes.get("class", "").split())}
    marks.add(f"#{element.attributes.get('id', '')}")
    for _, name, mark, style in rules:
        if name in ("*", element.name) and mark in marks:
            own.update(style)
    own.update(declarations(element.attributes.get("style", "")))
    return own


def declarations(text: str) -> dict[str, str]:
    """`name: value;` pairs as a style attribute has them, of the properties that matter here."""
    found = {}
    for pair in text.split(";"):
        name, colon, value = pair.partition(":")
        if colon and name.strip() in _STYLED:
            found[name.strip()] = value.replace("!important", "").strip()
    return found
