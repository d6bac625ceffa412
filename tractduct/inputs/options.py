"""The options of a plan, the combinations that are built, and cells that hang on them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from tractduct.inputs.cells import nearest
from tractduct.inputs.limits import MAX_COMBINATIONS
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.model.options import Built, Condition, Option, count_combinations, every_combination, is_met
from tractduct.model.words import by_key, key_of

_AND = re.compile(r"\s+and\s+", re.IGNORECASE)
_NOT = re.compile(r"not\s+", re.IGNORECASE)
_WORDS = re.compile(r"not\s|.*(\sand\s|[+;])", re.IGNORECASE)  # what a name may not look like


@dataclass(frozen=True, slots=True)
class Choices:
    """A plan's options and the combinations that it is sized for; without options one combination, of none."""

    options: tuple[Option, ...] = ()
    combinations: tuple[Built, ...] = ((),)

    def condition(self, row: RowReader) -> Condition:
        """What the row's cell ``option`` says; empty, and a fault, where it can't be."""
        text = row.text("option")
        found: dict[str, bool] = {}
        for part in _AND.split(text) if text else ():
            wanted = _NOT.match(part) is None
            name = self._named(row, "option", part if wanted else _NOT.sub("", part, count=1))
            if not name:
                return ()
            if found.setdefault(name, wanted) != wanted:
                row.fault("option", f"'{name}' can't be built and not built at once", "Keep one of the two")
                return ()
        if self._tell_clash(row, "option", [name for name, wanted in found.items() if wanted]):
            return ()
        return tuple((o.name, found[o.name]) for o in self.options if o.name in found)

    def of_lot(self, row: RowReader) -> Built:
        """The options that a lot is built with: a combination that the plan is sized for, or a fault."""
        names = [part.strip() for part in row.text("options").split("+") if part.strip()]
        known = {self._named(row, "options", name) for name in names}
        built = tuple(o.name for o in self.options if o.name in known)
        fine = not row.failed and not self._tell_clash(row, "options", built)
        if fine and self.combinations and built not in self.combinations:
            problem = f"the plan is not sized for a house with {' + '.join(built) or 'no option'}"
            row.fault("options", problem, "Add that combination to [variants] options in plan.toml")
        return built

    def _named(self, row: RowReader, column: str, name: str) -> str:
        known = by_key(o.name for o in self.options)
        found = known.get(key_of(name), "")
        if not found:
            remedy = nearest(name, known.values()) if known else "Add it to options.csv, or leave the cell empty"
            row.fault(column, f"the options table has no option '{name}'", remedy)
        return found

    def _tell_clash(self, row: RowReader, column: str, built: Sequence[str]) -> bool:
        clash = _clash(self.options, built)
        if clash:
            row.fault(column, clash, "Keep one of them")
        return bool(clash)


def _clash(options: Sequence[Option], built: Sequence[str]) -> str:
    """Which two of some options exclude each other, in words; empty where all can be built together."""
    first: dict[str, str] = {}
    for option in options:
        if option.name in built and option.group and first.setdefault(option.group, option.name) != option.name:
            two = f"'{first[option.group]}' and '{option.name}'"
            return f"{two} are both of group {option.group}: at most one is built"
    return ""


def read_options(table: TableReader, plan_file: PlanFile) -> Choices:
    """The options table, and the combinations that [variants] wants of it."""
    options = []
    for row in table:
        name = row.own_name("option")
        if _WORDS.match(name):
            row.fault("option", "a name can't begin with 'not', nor hold 'and', + or ;", "Rename it")
        elif name:
            options.append(Option(name=name, group=row.text("group"), meaning=row.text("meaning")))
    given = plan_file.part("variants").get("options")
    if not table.is_given:
        if given is not None and not table.is_unread:
            problem = "the plan has no options table"
            plan_file.fault("variants", "options", problem, "Add options.csv, or leave the key out", given)
        return Choices()
    if given is not None and given != "all":
        return Choices(tuple(options), _listed(options, plan_file))
    count = count_combinations(options)
    if count > MAX_COMBINATIONS:
        problem = f"the options allow {count:,} combinations; at most {MAX_COMBINATIONS} are sized together"
        remedy = 'List those that are sold, options = [[], ["bay"], ...], or put options that exclude each other into '
        plan_file.fault("variants", "options", problem, remedy + "one group")
        return Choices(tuple(options), ())
    return Choices(tuple(options), tuple(every_combination(options)))


def _listed(options: Sequence[Option], plan_file: PlanFile) -> tuple[Built, ...]:
    """The combinations that [variants] lists, each once and each possible."""
    known = by_key(o.name for o in options)
    found: list[Built] = []

    def fault(problem: str, remedy: str, given: object) -> None:
        plan_file.fault("variants", "options", problem, remedy, given)

    listed = plan_file.listed("variants", "options") or []
    if len(listed) > MAX_COMBINATIONS:
        problem = f"{len(listed):,} combinations are listed; at most {MAX_COMBINATIONS} are sized together"
        fault(problem, "Leave out those that are not sold", None)
        return ()
    for given in listed:
        if not isinstance(given, list) or not all(isinstance(name, str) for name in given):
            remedy = 'Write options = [[], ["bay"], ["bay", "bonus"]], or "all"'
            fault("expected a list of lists of names", remedy, given)
            continue
        unknown = [name for name in given if key_of(name) not in known]
        names = {known[key_of(name)] for name in given if key_of(name) in known}
        built = tuple(o.name for o in options if o.name in names)
        clash = _clash(options, built)
        if unknown:
            fault(f"the options table has no option '{unknown[0]}'", nearest(unknown[0], known.values()), given)
        elif clash:
            fault(clash, "Keep one of them", given)
        elif built in found:
            fault("this combination is duplicated", "Remove one", given)
        else:
            found.append(built)
    return tuple(found)


def first_met(combinations: Sequence[Built], condition: Condition) -> Built | None:
    """The first combination that a condition means; None where none is built so."""
    return next((built for built in combinations if is_met(condition, built)), None)
