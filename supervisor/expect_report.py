"""The gate's answer for a CI: JUnit XML for its test page, Markdown for its summary page."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree

from supervisor.expect import Check, all_met


def to_junit(suite: str, checks: Sequence[Check]) -> str:
    """One test case an expectation; what is not met is a failure."""
    failures = sum(not check.met for check in checks)
    root = ElementTree.Element("testsuites")
    holder = ElementTree.SubElement(
        root, "testsuite", name=suite, tests=str(len(checks)), failures=str(failures), errors="0"
    )
    for check in checks:
        case = ElementTree.SubElement(holder, "testcase", classname=suite, name=check.name)
        if not check.met:
            ElementTree.SubElement(case, "failure", message=check.found).text = check.found
        else:
            ElementTree.SubElement(case, "system-out").text = check.found
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, "unicode") + "\n"


def to_markdown(title: str, checks: Sequence[Check], advisories: Sequence[str] = ()) -> str:
    """A table of the expectations, then what was said."""
    word = "met" if all_met(checks) else "NOT met"
    lines = [f"## {title}: expectations {word}", "", "| | expected | found |", "|---|---|---|"]
    lines += [
        f"| {'ok' if c.met else '**no**'} | {_cell(c.name)} | {_cell(c.found)} |" for c in checks
    ]
    if advisories:
        lines += ["", "<details><summary>Advisories</summary>", "", "```"]
        lines += [line.replace("```", "") for line in advisories]
        lines += ["```", "", "</details>"]
    lines += ["", "Homeleg advises; the remote pilot decides.", ""]
    return "\n".join(lines)


def to_text(checks: Sequence[Check]) -> str:
    """For a terminal."""
    width = max((len(c.name) for c in checks), default=0)
    return "\n".join(f"{'ok ' if c.met else 'NO '} {c.name:{width}}  {c.found}" for c in checks)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
