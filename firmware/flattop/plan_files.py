"""Plans as files: those that come with the package, the tuner's own, and `flattop plan` on the command line."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from flattop.errors import PlanError, StorageError
from flattop.toml_files import parse_toml, read_toml
from flattop.tuning.interview import interview
from flattop.tuning.plan import Plan, chain, plan_from, rated_v, text_of, tones_for

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]


def ready_made() -> dict[str, str]:
    """Return the plans that come with the package: name -> text of the TOML file."""
    folder = resources.files("flattop.tuning") / "plans"
    texts = {entry.name.removesuffix(".toml"): entry for entry in folder.iterdir() if entry.name.endswith(".toml")}
    return {name: texts[name].read_text(encoding="utf-8") for name in sorted(texts)}


def loads(text: str, *, name: str) -> Plan:
    """Return the plan in a TOML text that messages call `name`; raises PlanError with every fault."""
    what = f"plan {name}"
    return plan_from(parse_toml(text.encode(), name=what, error=PlanError), what=what)


def load(path: Path) -> Plan:
    """Return the plan in a TOML file; raises PlanError with every fault."""
    return plan_from(read_toml(path, what="plan", error=PlanError), what=f"plan {path}")


def find(name: str) -> Plan:
    """Return the plan of a name or a path: one that comes with the package where there is one of that name.

    Raises PlanError, with the names that there are.
    """
    texts = ready_made()
    if name in texts:
        return loads(texts[name], name=name)
    path = Path(name)
    if not path.suffix and not path.exists():
        raise PlanError(
            f"there is no plan {name}; those that come with the package are {', '.join(texts)}; "
            "name one of them, or the path of a TOML file"
        )
    return load(path)


def choices(folder: Path | None) -> dict[str, Plan | PlanError]:
    """Return what can be chosen from: plans in a folder first, those of the package after; in the order of names.

    A file that cannot be used stands there with its error, so that it is not simply missing.
    """
    found: dict[str, Plan | PlanError] = {}
    with contextlib.suppress(OSError):
        for path in sorted(folder.glob("*.toml")) if folder is not None else []:
            try:
                found[path.stem] = load(path)
            except PlanError as error:
                found[path.stem] = error
    return found | {name: loads(text, name=name) for name, text in ready_made().items() if name not in found}


def save_new(plan: Plan, path: Path) -> None:
    """Write a plan to a new file; nothing is written over. Raises StorageError, and then leaves no file behind."""
    made = False
    try:
        with path.open("x", encoding="utf-8") as file:
            made = True
            file.write(text_of(plan))
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError:
        raise StorageError(f"{path} exists already, and nothing is written over; give another name") from None
    except OSError as fault:
        if made:
            with contextlib.suppress(OSError):
                path.unlink()
        reason = fault.strerror or fault
        raise StorageError(f"{path} cannot be written ({reason}); check the folder and its free space") from fault


# -- the command line -------------------------------------------------------------------------------------------------


def add_parser(commands: Commands) -> None:
    """Add `flattop plan` to the commands."""
    parser = commands.add_parser("plan", help="plans of tuning runs: list, show, check, and make a new one")
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    actions.add_parser("list", help="name the plans that come with the package")
    show = actions.add_parser("show", help="print a plan, to be copied and changed")
    show.add_argument("name", metavar="NAME", help="name from the list, or path of a file")
    check = actions.add_parser("check", help="tell every fault of a plan, or what it comes to")
    check.add_argument("file", metavar="FILE", help="path of a file, or name from the list")
    new = actions.add_parser("new", help="answer some questions and have a plan written")
    new.add_argument("file", nargs="?", type=Path, default=Path("plan.toml"), metavar="FILE", help="default plan.toml")


def run(given: argparse.Namespace) -> int:
    """Carry out one `flattop plan` command; raises PlanError or StorageError for what cannot be used."""
    match given.action:
        case "list":
            for name, text in ready_made().items():
                print(f"{name:14} {loads(text, name=name).name}")
        case "show":
            texts = ready_made()
            print(texts[given.name] if given.name in texts else text_of(find(given.name)), end="")
        case "check":
            print("\n".join(summary(find(given.file))))
        case _:
            _new(given.file)
    return 0


def summary(plan: Plan) -> list[str]:
    """Return what a plan comes to, line by line: each chain, and each output with its tones and targets."""
    lines = [f"{plan.name}: {len(plan.amplifiers)} amplifiers, {len(plan.links)} links, {len(plan.tones)} tones"]
    for amplifier in plan.amplifiers:
        lines.append(" > ".join(chain(plan, amplifier.name)))
        for channel in amplifier.channels:
            tones = tones_for(plan, channel.band)
            aims = [
                f"{tone.name} {rated_v(plan, channel, tone):.2f} V" if channel.power_w else tone.name for tone in tones
            ]
            aim = "target" if channel.power_w else "to the ceiling"
            lines.append(f"    {f'{amplifier.name} {channel.name}'.strip()} ({channel.band}), {aim}: {', '.join(aims)}")
            asked = [
                f"subsonic {channel.subsonic_hz:g} Hz" if channel.subsonic_hz else "",
                f"low-pass {channel.low_pass_hz:g} Hz" if channel.low_pass_hz else "",
                f"noise {channel.quiet_db:g} dB below the tone" if channel.quiet_db else "",
            ]
            if any(asked):
                lines.append(f"        checked: {', '.join(each for each in asked if each)}")
    return lines


def _new(path: Path) -> None:
    if path.exists():
        raise StorageError(f"{path} exists already, and nothing is written over; give another name")
    talk = interview()
    print("An empty answer takes what stands in brackets. Nothing is written before the last answer.")
    question = next(talk)
    while True:
        if question.fault:
            print(f"  {question.fault}")
        try:
            answer = input(f"{question.text} [{question.default}]: ")
        except EOFError:
            print(file=sys.stderr)
            raise PlanError("the answers ended before the last question; nothing was written; start again") from None
        try:
            question = talk.send(answer)
        except StopIteration as end:
            plan: Plan = end.value
            break
    save_new(plan, path)
    print("\n".join([f"Written to {path}:", *summary(loads(text_of(plan), name=str(path)))]))
