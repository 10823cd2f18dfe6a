"""What a reader of every byte of a browser's profile folder finds, and what is lost there."""

import base64
from collections.abc import Iterable
from pathlib import Path

_FEWEST_BYTES = 6
# Both homes of a tablet's keys, removed from a page of its origin that is not the app.
REMOVE_FILES = """async (name) => {
  await (await navigator.storage.getDirectory()).removeEntry(name, { recursive: true });
}"""
DROP_DATABASES = """async () => {
  for (const { name } of await indexedDB.databases()) {
    await new Promise((resolve, reject) => {
      const request = indexedDB.deleteDatabase(name);
      request.onsuccess = resolve;
      request.onerror = reject;
    });
  }
}"""


def spellings(word: str) -> list[bytes]:
    """Return a word as UTF-8, as UTF-16, and as base64 of each wherever it begins.

    Raises
    ------
    AssertionError
        The word is so short that other texts hold it by chance.
    """
    plain = [word.encode(), word.encode("utf-16-le")]
    coded = []
    for content in plain:
        for before in range(3):
            text = base64.b64encode(bytes(before) + content)
            # The letters at both ends also depend on what stands beside the word.
            coded.append(text[-(-8 * before // 6) : 8 * (before + len(content)) // 6])
    written = plain + coded
    assert all(len(one) >= _FEWEST_BYTES for one in written), f"{word} is too short"
    return written


def files_that_hold(folder: Path, words: Iterable[str]) -> dict[str, list[str]]:
    """Return the words that lie in clear anywhere under a folder, each with the files."""
    found: dict[str, list[str]] = {}
    wanted = {word: spellings(word) for word in words}
    for file in sorted(folder.rglob("*")):
        if not file.is_file():
            continue
        content = file.read_bytes()
        for word, written in wanted.items():
            if any(one in content for one in written):
                found.setdefault(word, []).append(str(file.relative_to(folder)))
    return found


def count_bytes(folder: Path) -> int:
    """Return how many bytes lie in the files under a folder."""
    return sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
