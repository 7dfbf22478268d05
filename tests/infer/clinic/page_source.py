"""What the desk's page says by itself: texts in its JavaScript and HTML that come from no message file."""

import re
from html.parser import HTMLParser

_REGEX_MAY_FOLLOW = set("(,=:[!&|?{};\n>+")
_SENTENCE = re.compile(r"[A-Za-zÄÖÜäöüß]{2,}[,.;:!?…]* +[A-Za-zÄÖÜäöüß]{2,}|^[A-Z][a-z]{2,}\b(?!-)")
_TEXT = re.compile(r"""(?:\b(?:textContent|placeholder|title|text|label)|"aria-label"|\balt)\s*[:=]\s*""")
_NO_TEXT = re.compile(
    r"""(?:className\s*[:=]|class:|\bd:|setAttribute\("class",|querySelector(?:All)?\(|getElementById\(|matches\(|"""
    r"""closest\(|import|from|font\s*=|\.style\.\w+\s*=|transform:|viewBox",|setAttribute\("\w+",|new Error\()\s*$"""
)
_DATA = {"Content-Type", "Accept-Language", "Authorization", "Bearer {}", "Files"}
"""Names of HTTP (RFC 9110) and of the drag data store (HTML), which nobody reads."""
_DATA |= {"one foot", "between feet", "Letter"}
"""Values of the contract, and the name of a sheet."""
_DATA |= {"initials-hint initials-error", "angle pending"}
"""Lists of identifiers and classes."""


def modules(page, first="desk_main.js"):
    """Source of a module and of all that it takes in, by name."""
    found, wanted = {}, [first]
    while wanted:
        name = wanted.pop()
        if name in found:
            continue
        found[name] = (page / "modules" / name).read_text(encoding="utf-8")
        wanted += re.findall(r"""(?:from|import|new URL\()\s*"\./([\w.]+\.js)\"""", found[name])
    return found


def literals(source):
    """Text literals of JavaScript as (start, end, value); places of a template stand as ``{}``."""
    found, at, last = [], 0, "\n"

    def template(begin):
        """A template from its first backtick: its value and the place after it; literals in its places are noted."""
        value, i = "", begin + 1
        while source[i] != "`":
            if source[i] == "\\":
                value, i = value + source[i + 1], i + 2
            elif source.startswith("${", i):
                depth, inner = 1, i + 2
                i = inner
                while depth:
                    if source[i] == "`":
                        i = template(i)[1]
                        continue
                    if source[i] in "\"'":
                        i = quoted(i)
                        continue
                    depth += {"{": 1, "}": -1}.get(source[i], 0)
                    i += 1
                value += "{}"
            else:
                value, i = value + source[i], i + 1
        found.append((begin, i + 1, value))
        return value, i + 1

    def quoted(begin):
        end = re.compile(r"(?:\\.|[^\\{0}])*{0}".format(source[begin])).match(source, begin + 1).end()
        found.append((begin, end, source[begin + 1 : end - 1]))
        return end

    while at < len(source):
        one = source[at]
        if source.startswith("//", at):
            at = source.find("\n", at)
            at = len(source) if at < 0 else at
        elif source.startswith("/*", at):
            at = source.index("*/", at) + 2
        elif one in "\"'":
            at, last = quoted(at), one
        elif one == "`":
            at, last = template(at)[1], one
        elif one == "/" and (last in _REGEX_MAY_FOLLOW or source[:at].rstrip().endswith("return")):
            at, last = re.compile(r"(?:\\.|\[(?:\\.|[^\]])*\]|[^/\\\n])+/\w*").match(source, at + 1).end(), one
        else:
            last = one if not one.isspace() else last
            at += 1
    return sorted(found)


def _expression_end(source, begin, every, ends=",;\n"):
    """Where the value of a property, or (without ``ends``) a call, is over: at a comma or bracket of its own depth."""
    depth, skip = 0, {a: b for a, b, _ in every}
    at = begin
    while at < len(source):
        if at in skip:
            at = skip[at]
            continue
        if source[at] in "([{":
            depth += 1
        elif source[at] in ")]}":
            depth -= 1
        if depth < 0 or (not depth and source[at] in ends):
            break
        at += 1
    return at


def spoken_outside(source, keys):
    """Literals that a person would read and that are no key of a message: (line, text)."""
    every = literals(source)
    asked = [
        (m.end(), _expression_end(source, m.end(), every, ""))
        for m in re.finditer(r"\b(?:say|counted|knows)\(", source)
    ]

    def known(start, text):
        """A key, or the beginning of keys, where messages are asked for."""
        head = text.split("{}")[0]
        begins = "{}" in text and head.endswith("_") and any(key.startswith(head) for key in keys)
        counted = f"{text}_one" in keys
        return (text in keys or begins or counted) and any(a <= start < b for a, b in asked)

    found = []
    for start, _, text in every:
        before = source[:start].rstrip(" ")
        if known(start, text) or text in _DATA or text.startswith("#version ") or _NO_TEXT.search(before):
            continue
        if _SENTENCE.search(text):
            found.append((source.count("\n", 0, start) + 1, text))
    for match in _TEXT.finditer(source):
        if any(a <= match.start() < b for a, b, text in every if text != "aria-label"):
            continue
        stop = _expression_end(source, match.end(), every)
        for start, _, text in every:
            said = re.search(r"[A-Za-zÄÖÜäöüß]{3,}", text.replace("{}", ""))
            if match.end() <= start < stop and said and text not in _DATA and not known(start, text):
                before = source[match.end() : start]
                if re.search(r"[!=]== $|querySelector\($|\bdata\.$", before):
                    continue
                found.append((source.count("\n", 0, start) + 1, text))
    return sorted(set(found))


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.said, self._silent = [], 0

    def handle_starttag(self, tag, attrs):
        self._silent += tag in ("script", "style")
        self.said += [value for name, value in attrs if name in ("aria-label", "title", "alt", "placeholder") and value]

    def handle_endtag(self, tag):
        self._silent -= tag in ("script", "style")

    def handle_data(self, data):
        if not self._silent and data.strip():
            self.said.append(data.strip())


def html_outside(text):
    """Texts of a page that are no place for a message."""
    page = _Page()
    page.feed(text)
    return [one for one in page.said if not re.fullmatch(r"(?:\{\w+\}|\W)+", one)]


def keys_used(sources, html):
    """Keys that the page names whole, and beginnings of those that it puts together."""
    whole = set(re.findall(r"\{(\w+)\}", html)) - {"language"}
    begun = set()
    for source in sources:
        for _, _, text in literals(source):
            (begun if "{}" in text else whole).add(text.split("{}")[0])
    return whole, {one for one in begun if one.endswith("_")}
