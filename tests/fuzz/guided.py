"""One reader under atheris, which keeps inputs that reach code not reached before. `run.py` starts it, one for each."""

import sys
from pathlib import Path
from random import Random
from traceback import extract_tb, format_exception

import atheris

with atheris.instrument_imports(include=["probe"]):
    from tests.fuzz.targets import TARGETS

_BY_STRUCTURE = 0.7


class Found:
    """What broke a reader: the first input for each place, so that the search goes on behind it."""

    def __init__(self, place: str) -> None:
        self._place = place

    def note(self, data: bytes, error: Exception) -> None:
        """Keep an input and what it led to, unless that place is known."""
        frames = [frame for frame in extract_tb(error.__traceback__) if "/probe/" in frame.filename]
        where = f"{Path(frames[-1].filename).stem}-{frames[-1].lineno}" if frames else "drawing"
        path = Path(f"{self._place}-found-{where}-{type(error).__name__}")
        if not path.exists():
            path.write_bytes(data)
            print("".join(format_exception(error)), path, flush=True)


def main() -> None:
    """Run the target that the first argument names, with what is found by the second; the rest is libFuzzer's."""
    name, found = sys.argv.pop(1), Found(sys.argv.pop(1))
    target = TARGETS[name]

    def change(data: bytes, most: int, seed: int) -> bytes:
        chance = Random(seed)
        if data and chance.random() < _BY_STRUCTURE:
            return target.change(data, chance)[:most]
        changed: bytes = atheris.Mutate(data, most)
        return changed

    def tried(data: bytes) -> None:
        try:
            target.tried(data)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is what is looked for
            found.note(data, error)

    atheris.enabled_hooks.add("str")
    atheris.Setup([*sys.argv, f"-max_len={target.most_bytes}"], tried, custom_mutator=change)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
