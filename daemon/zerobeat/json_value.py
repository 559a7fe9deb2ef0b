"""The type of what ``json.loads`` gives: what a client sends, before it is read."""

from __future__ import annotations

JsonValue = bool | int | float | str | None | list["JsonValue"] | dict[str, "JsonValue"]
JsonObject = dict[str, JsonValue]
