"""One reader under atheris, which keeps inputs that reach code not reached before. `run.py` starts it, one for each."""

import sys
from random import Random

import atheris

with atheris.instrument_imports(include=["probe"]):
    from tests.fuzz.targets import TARGETS

_BY_STRUCTURE = 0.7


def main() -> None:
    """Run the target that the first argument names; the rest is for libFuzzer. Does not return."""
    target = TARGETS[sys.argv.pop(1)]

    def change(data: bytes, most: int, seed: int) -> bytes:
        chance = Random(seed)
        if data and chance.random() < _BY_STRUCTURE:
            return target.change(data, chance)[:most]
        changed: bytes = atheris.Mutate(data, most)
        return changed

    atheris.enabled_hooks.add("str")
    atheris.Setup([*sys.argv, f"-max_len={target.most_bytes}"], target.tried, custom_mutator=change)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
