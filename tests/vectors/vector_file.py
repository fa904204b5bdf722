"""What all make_*.py share: a made vector is compared with the file beside it, or written with --write."""

import json
import math
import pathlib
import sys


def differences(made, kept, place):
    """Places at which two values differ, numbers by more than 1 part in 10^10."""
    if isinstance(made, dict) and isinstance(kept, dict):
        for key in sorted(set(made) | set(kept)):
            if key not in made or key not in kept:
                yield f"{place}.{key}: only in the {'file' if key in kept else 'made one'}"
            else:
                yield from differences(made[key], kept[key], f"{place}.{key}")
    elif isinstance(made, list) and isinstance(kept, list):
        if len(made) != len(kept):
            yield f"{place}: {len(made)} made, {len(kept)} in the file"
        for index, (own, other) in enumerate(zip(made, kept)):
            yield from differences(own, other, f"{place}[{index}]")
    elif isinstance(made, (int, float)) and isinstance(kept, (int, float)):
        if not math.isclose(made, kept, rel_tol=1e-10, abs_tol=1e-12):
            yield f"{place}: made {made!r}, in the file {kept!r}"
    elif made != kept:
        yield f"{place}: made {made!r}, in the file {kept!r}"


def kept(name):
    """The file as it stands, for scripts that take its inputs and make its figures again."""
    values = json.loads(pathlib.Path(__file__).with_name(f"{name}.json").read_text())
    del values["source"]
    return values


def settle(name, made):
    """Compares with tests/vectors/NAME.json, the "source" apart; with --write, writes it."""
    path = pathlib.Path(__file__).with_name(f"{name}.json")
    if "--write" in sys.argv:
        source = json.loads(path.read_text())["source"]
        path.write_text(json.dumps({"source": source, **made}, indent=1) + "\n")
        return
    wrong = list(differences(made, kept(name), name))
    print(f"{name}: " + ("the same" if not wrong else "\n  ".join(["differs", *wrong])))
    sys.exit(bool(wrong))
