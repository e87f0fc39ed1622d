"""Which pages of the site are made from other files? MkDocs calls this while it builds.

The pages of commands come from the commands themselves, the start page is README.md, and
architecture is DEVELOPERS.md: what is written once cannot disagree with itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer
from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files
from mkdocs.structure.pages import Page

from vidspin.cli import app
from vidspin.errors import ExitCode

ROOT = Path(__file__).parents[1]
# What a page says where the text of HOW-TO-CHECK.txt shall stand.
_HOW_TO_CHECK = "<!-- HOW-TO-CHECK.txt -->"
# Letters that markdown would take for signs of its own.
_SIGNS = re.compile(r"([\\`*_{}\[\]<>#|])")


def on_config(config: MkDocsConfig) -> MkDocsConfig:
    """Fill in the lists of the navigation that come from elsewhere."""
    lists = {
        "Commands": ["commands/index.md", *(f"commands/{name}.md" for name in app.COMMANDS)],
        "Decisions": [
            path.relative_to(ROOT / "docs").as_posix()
            for path in sorted((ROOT / "docs" / "decisions").glob("*.md"))
        ],
    }
    for entry in config.nav or []:
        for title, pages in entry.items():
            if pages == []:
                entry[title] = lists[title]
    return config


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the pages that are made here."""
    for place, text in pages():
        files.append(File.generated(config, place, content=text))
    return files


def on_page_markdown(markdown: str, page: Page, config: MkDocsConfig, files: Files) -> str:
    """Put the file that every dossier carries where a page asks for it."""
    if _HOW_TO_CHECK not in markdown:
        return markdown
    text = (ROOT / "vidspin" / "dossier" / "HOW-TO-CHECK.txt").read_text("utf-8")
    return markdown.replace(_HOW_TO_CHECK, f"```text\n{text}```")


def pages() -> Iterator[tuple[str, str]]:
    """Yield the place and the text of every page that is made from other files."""
    yield "index.md", linked((ROOT / "README.md").read_text("utf-8"))
    yield "architecture.md", linked((ROOT / "DEVELOPERS.md").read_text("utf-8"))
    yield "commands/index.md", overview()
    group = typer.main.get_command(app.app)
    context = group.make_context(app.PROGRAM, [], resilient_parsing=True)
    for name in app.COMMANDS:
        command = group.get_command(context, name)
        lines = list(described(command, name, context, level=1))
        yield f"commands/{name}.md", "\n\n".join(lines) + "\n"


def linked(text: str) -> str:
    """Turn the names of pages and of commands into links to them."""
    text = re.sub(r"`docs/([\w/-]+)\.md`", r"[\1](\1.md)", text)
    return re.sub(
        r"^\| `vidspin (\w+)([^`]*)`",
        r"| [`vidspin \1\2`](commands/\1.md)",
        text,
        flags=re.MULTILINE,
    )


def overview() -> str:
    """List all commands and exit codes."""
    rows = [
        f"| [`{app.PROGRAM} {name}`]({name}.md) | {plain(entry.sentence)} |"
        for name, entry in app.COMMANDS.items()
    ]
    codes = [f"| {int(code)} | {code.name.lower().replace('_', ' ')} |" for code in ExitCode]
    return "\n".join(
        [
            "# Commands",
            "",
            "| command | does |",
            "|---|---|",
            *rows,
            "",
            "Results go to standard output (`--json` for programs), progress and warnings to",
            "standard error. These pages say what `--help` says.",
            "",
            "## Exit codes",
            "",
            "| code | meaning |",
            "|---|---|",
            *codes,
            "",
        ]
    )


def described(command: Any, name: str, parent: Any, *, level: int) -> Iterator[str]:
    """Yield the paragraphs that describe a command and those below it."""
    context = command.make_context(name, [], parent=parent, resilient_parsing=True)
    yield f"{'#' * level} {context.command_path}"
    yield from told(command.help or "")
    yield f"```text\n{command.get_usage(context).removeprefix('Usage: ')}\n```"
    if hasattr(command, "list_commands"):
        for word in command.list_commands(context):
            below = command.get_command(context, word)
            yield from described(below, word, context, level=level + 1)
        return
    records = [(p.param_type_name, p.get_help_record(context)) for p in command.params]
    for kind in ("argument", "option"):
        rows = [record for found, record in records if found == kind and record]
        if rows:
            table = [f"| {kind} | meaning |", "|---|---|"]
            if kind == "argument":  # without its type, which the sentence tells
                rows = [(left.partition(" <")[0], right) for left, right in rows]
            table += [f"| {code(left)} | {plain(right)} |" for left, right in rows]
            yield "\n".join(table)


def told(text: str) -> Iterator[str]:
    """Yield the paragraphs of a help text; what is typed becomes a block of its own."""
    for paragraph in re.split(r"\n\s*\n", text.replace("\b\n", "").strip()):
        words = " ".join(paragraph.split())
        example = re.fullmatch(r"(?:(Examples?):? ?)?(vidspin .+)", words)
        if example:
            yield f"```text\n{example[2]}\n```"
        else:
            yield plain(words)


def plain(text: str) -> str:
    """Return a text in which no letter is a sign of markdown."""
    return _SIGNS.sub(r"\\\1", " ".join(text.split()))


def code(text: str) -> str:
    """Return what is typed, for a cell of a table."""
    return "`" + " ".join(text.split()).replace("|", "\\|") + "`"
