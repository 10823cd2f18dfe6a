"""What a device label says, field by field, and what is wrong with it."""

import msgspec


class LabelFields(msgspec.Struct):
    """The fields read so far; a field with a problem stays None (DL1)."""

    identifier: str | None = None
    lot: str | None = None
    serial: str | None = None
    made_on: str | None = None
    expires_on: str | None = None
    problems: list[str] = msgspec.field(default_factory=list)
    _spoiled: set[str] = msgspec.field(default_factory=set)

    def put(self, field: str, content: str, label_name: str) -> None:
        """Keep a field; two different contents are a problem and leave it None."""
        held = getattr(self, field)
        if field in self._spoiled or held == content:
            return
        if held is not None:
            self.spoil(field, f"{label_name} stands twice with different content.")
            return
        setattr(self, field, content)

    def spoil(self, field: str, problem: str) -> None:
        """Note a problem with a field; it stays None whatever else the label says of it."""
        self._spoiled.add(field)
        setattr(self, field, None)
        self.problems.append(problem)
