"""Puts pages that stand outside ``docs/`` into the site, under links that work in both places."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from mkdocs.structure.files import File

ROOT = Path(__file__).resolve().parent.parent
OUTSIDE = {"../systemd/README.md": "box-in-the-case.md"}


def on_files(files: Any, config: Any) -> Any:
    for source, name in OUTSIDE.items():
        text = (ROOT / "docs" / source).resolve().read_text(encoding="utf-8")
        text = text.replace("](../docs/", "](")
        files.append(File.generated(config, name, content=text))
    return files


def on_page_markdown(markdown: str, page: Any, **_: Any) -> str:
    for source, name in OUTSIDE.items():
        depth = "../" * page.file.src_uri.count("/")
        markdown = markdown.replace(f"]({depth}{source}", f"]({depth}{name}")
    return markdown
