"""results.json: the study for other programs. The same study gives the same bytes."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np

from tractduct.delivery.built import Built
from tractduct.delivery.deliver import Delivery
from tractduct.delivery.lots import LotAir, OtherFlex, rooms_off, table_numbers
from tractduct.delivery.marks import MarkTable
from tractduct.delivery.predict import Delivered
from tractduct.model.plan import Plan
from tractduct.network.variants import Variant
from tractduct.one_plan import Study
from tractduct.orientation.study import OrientationStudy
from tractduct.purchasing.buy import Buying
from tractduct.report import Report
from tractduct.sizing.governing import Reason
from tractduct.sizing.program import HOLDS_TOLERANCE
from tractduct.sizing.solve import Solution
from tractduct.systems import HouseReport
from tractduct.units import MEASURES
from tractduct.version import VERSION

RESULTS_FILE = "results.json"


def results(report: Report, delivered: Delivered | None = None) -> dict[str, Any]:
    """The content of results.json: plain dicts, lists, text and numbers.

    ``delivered`` is what is predicted with open dampers, where no whole delivery is at hand.
    """
    study, delivery, lots = report.study, report.delivery, report.lots
    out: dict[str, Any] = {
        **_sizes(study.plan, study.recommended, study.least_cost, study.trade_off, study.case.labels),
        "cost_unit": study.plan.units.unit(study.cost_unit),
        **_of(study, "least_gap_pct=least_cost.gap_pct not_proven"),
        "open_distinct_sizes": [
            {"distinct_sizes": number, "best_bound": _down(bound)} for number, bound in study.open_numbers
        ],
        "cap": _cap(study),
        "margins": _margins(study),
        "velocity_limits": _velocity_limits(study),
        "variants": _variants(study),
        **_governing(study),
        "single_orientation": {
            **_of(study.single, "front_faces=front mirrored flex"),
            "size_set": study.case.labels(study.single.size_index),
            "cost": study.single.cost,
            "breaches": [str(b) for b in study.single.breaches],
        },
        "standardizing": [
            _of(c, "kind covers=kept left_out least_cost=solution.cost standard_cost") for c in study.comparisons
        ],
        "findings": [_of(f, "severity=severity.word rule subject places room message advice") for f in report.findings],
        "conflicts": _conflicts(study),
        "ways_out": [
            {**_of(w, "kind change holds=helps"), "cost": w.solution.cost if w.helps else None} for w in study.remedies
        ],
    }
    if study.plan.options:
        out["options"] = _options(study)
        out["houses"] = [{"options": built, "cost": cost} for built, cost in study.house_costs]
    got = delivery.open_dampers if delivery is not None else delivered
    if got is not None:
        out["delivered"] = _delivered(got, study.plan)
    if delivery is not None:
        out |= _marked(delivery)
    if delivery is not None and lots is not None and lots.other_flex:
        out["other_flex"] = [_other_flex(one, delivery) for one in lots.other_flex]
    if delivery is not None and lots is not None and lots.listed:
        numbers = table_numbers(delivery, lots)
        out["marks_of_lots"] = [_lot_marks(delivery, lots.air[lot], number) for lot, number in numbers.items()]
    if report.built is not None:
        out["built"] = _built(report.built)
    if report.buying is not None:
        out["flex_comparison"] = _flex_comparison(report.buying)
    if report.orientation is not None:
        out["orientation"] = _orientation(report.orientation)
    plain: dict[str, Any] = _plain(out, study.plan)
    return _with_si(plain, study) if study.plan.units.is_si else plain


def _sizes(
    plan: Plan, best: Solution, least: Solution, trade_off: Sequence[Solution], labels: Callable[..., dict[str, str]]
) -> dict[str, Any]:
    """The set to build, what it costs, and the same by number of sizes; ``labels`` names the sizes of a set."""
    return {
        "program": f"tractduct {VERSION}",
        "plan": plan.name,
        "units": plan.units.name,
        "status": best.status,
        "size_set": labels(best.size_index),
        "distinct_sizes": best.distinct_sizes if best.size_index is not None else 0,
        "cost": best.cost,
        "cost_bound": _bound(best),
        "gap_pct": best.gap_pct,
        "least_cost": least.cost,
        "best_bound": _bound(least),
        "by_distinct_sizes": [
            {
                **_of(entry, "distinct_sizes cost gap_pct status"),
                "best_bound": _bound(entry),
                "size_set": labels(entry.size_index),
            }
            for entry in trade_off
        ],
    }


def _governing(study: Study) -> dict[str, Any]:
    """Which variants keep each section from being smaller, and how much more air each run could carry."""
    governing, headroom = (study.sized.governing, study.sized.headroom) if study.sized else ((), ())
    return {
        "drivers": {d.section: d.variants if d.reason is Reason.VARIANTS else [] for d in governing},
        "driver_reasons": {d.section: d.reason.name.lower() for d in governing},
        "headroom": {h.run: _of(h, "extra_cfm limit variant") for h in headroom},
    }


def _conflicts(study: Study) -> list[dict[str, Any]]:
    units = study.plan.units
    return [
        {
            **_of(c, "path section limit variant"),
            **{key: units.shown(getattr(c, key), c.unit) for key in ("least", "allowed", "missing")},
            "unit": units.unit(c.unit),
            "message": str(c),
        }
        for c in study.conflicts
    ]


def house_results(house: HouseReport, delivered: Sequence[Delivered | None] = ()) -> dict[str, Any]:
    """The content of results.json of a house with several systems: of all together, then what each has besides.

    All of each system stands in the results.json of its own folder. ``delivered``: by system, as ``results`` takes it.
    """
    got = delivered or [None] * len(house.reports)
    by_system = {s.name: results(r, d) for s, r, d in zip(house.plan.systems, house.reports, got, strict=True)}
    found = list(by_system.values())

    out: dict[str, Any] = {
        **_sizes(house.plan, house.recommended, house.least_cost, house.trade_off.entries, house.labels),
        "cost_unit": found[0]["cost_unit"],
        "variants": [
            {**each[0], "sections": _together(each, "sections"), "paths": _together(each, "paths")}
            for each in zip(*(one["variants"] for one in found), strict=True)
        ],
        **{key: _together(found, key) for key in ("drivers", "driver_reasons", "headroom")},
        "findings": [
            {**finding, "subject": f"{name}, {finding['subject']}"}
            for name, one in by_system.items()
            for finding in one["findings"]
        ],
        "conflicts": [conflict for one in found for conflict in one["conflicts"]],
    }
    if all("delivered" in one for one in found):
        out["delivered"] = [
            {
                **{key: value for key, value in each[0].items() if key != "external_static_inwc"},
                "total_cfm": sum(math.nan if e["total_cfm"] is None else e["total_cfm"] for e in each),
                "runs": _together(each, "runs"),
            }
            for each in zip(*(one["delivered"] for one in found), strict=True)
        ]
    own = {name: {key: value for key, value in one.items() if key not in out} for name, one in by_system.items()}
    shares = ("status", "distinct_sizes", "cost", "least_cost", "by_distinct_sizes")
    for name, one in by_system.items():
        own[name] = {**{key: one[key] for key in shares}, **own[name]}
    plain: dict[str, Any] = _plain({**out, "systems": own}, house.plan)
    return plain


def _together(parts: Sequence[Mapping[str, Any]], key: str) -> dict[str, Any]:
    """What the systems have under a key, by names that are each of one system."""
    return {name: value for part in parts for name, value in part[key].items()}


def _options(study: Study) -> list[dict[str, Any]]:
    """What each option is built of, which sections it alone drives, what it costs, and what sets of its own save."""
    names = "option=option.name group=option.group meaning=option.meaning sections drives covering_cost=covering "
    names += "own_package_saves_with=saves_with own_package_saves_without=covering"
    return [_of(one, names) for one in study.option_costs]


def _other_flex(other: OtherFlex, delivery: Delivery) -> dict[str, Any]:
    """What each lot gets in a product that is not approved, with damper marks of its own."""
    seasons = list(enumerate(delivery.study.plan.seasons))
    parts = ("expected_cfm", "low_cfm", "high_cfm")
    return {
        "flex": other.flex,
        "damper_marks": [_mark_table(table) for table in other.marks.tables],
        "rooms_outside": other.marks.rooms_outside,
        "lots": [
            {
                **_lot_marks(delivery, air, other.marks.number_of(air.table)),
                "total_cfm": {season: air.total_cfm[k] for k, season in seasons},
                "runs": {
                    run.name: {
                        season: {part: getattr(air, part)[k, p] for part in parts}
                        for k, season in seasons
                        if math.isfinite(air.target_cfm[k, p])
                    }
                    for p, run in enumerate(delivery.study.tree.runs)
                    if np.isfinite(air.target_cfm[:, p]).any()
                },
            }
            for air in other.air.values()
        ],
    }


def _built(built: Built) -> dict[str, Any]:
    """What stands already, whether it holds, and what each number of changed sections is worth on the lots left."""
    study = built.study
    outside = "rooms_outside_open=marks.rooms_outside_open rooms_outside_marked=marks.chosen.rooms_outside"
    return {
        "size_set": study.case.labels(built.size_index),
        **_of(built, "not_built_yet=free holds"),
        "breaches": [str(b) for b in built.breaches],
        **_of(built, f"cost {outside}"),
        "damper_marks": [_mark_table(table) for table in (built.marks.chosen.tables if built.marks else ())],
        **_of(study.plan, "lots_left change_price"),
        **_of(built, "best_changes=best.number"),
        "by_changes": [
            {
                **_of(c, "changes=number changed cost=solution.cost"),
                "best_bound": _bound(c.solution),
                **_of(c, "status=solution.status worth"),
                "size_set": study.case.labels(c.solution.size_index),
            }
            for c in built.front
        ],
    }


def _cap(study: Study) -> dict[str, Any]:
    """The cap on steps over the own size: the largest size that it leaves each section, and what it costs if known."""
    case, free = study.case, study.without_cap
    without = None
    if free is not None:
        without = {
            "least_cost": free.least_cost.cost,
            "best_bound": _bound(free.least_cost),
            **_of(free.recommended, "cost distinct_sizes"),
            "size_set": case.labels(free.recommended.size_index),
        }
    left = [np.flatnonzero(row) for row in case.table.on_sale & case.within_cap]
    return {
        "most_steps_over_own": study.plan.most_steps_over_own,
        **_of(study, "extra_cost=without_cap.extra_cost extra_cost_at_most=without_cap.extra_at_most"),
        "without": without,
        "largest_size": {
            s.name: study.table.sizes[sizes[-1]].label if sizes.size else ""
            for s, sizes in zip(study.tree.sections, left, strict=True)
        },
    }


_COSTS = (
    "extra_cost", "extra_cost_at_most", "duct_cost", "cost", "cost_bound", "least_cost", "best_bound", "standard_cost",
    "worth", "covering_cost", "own_package_saves_with", "own_package_saves_without",
)  # fmt: skip
_IN_SI = tuple(MEASURES[name] for name in ("cfm", "ft", "in", "fpm", "inWC", "inWC/100 ft", "Btu/h"))


def _with_si(value: Any, study: Study) -> Any:
    """The same with each number whose name ends in a unit of the core once more in SI; costs without prices in m2.

    The names that every plan has stay and keep their meaning.
    """
    if isinstance(value, list):
        return [_with_si(inner, study) for inner in value]
    if not isinstance(value, dict):
        return value
    units = study.plan.units
    out: dict[str, Any] = {}
    for key, inner in value.items():
        if key in _COSTS and isinstance(inner, float):
            out[key] = _number(units.shown(inner, study.cost_unit))
            continue
        out[key] = _with_si(inner, study)
        measure = next((m for m in _IN_SI if key.endswith(f"_{m.ending}")), None)
        if measure and isinstance(inner, float):
            out[units.name_of(key, measure.name)] = _number(units.shown(inner, measure.name))
    return out


def results_text(
    report: Report | HouseReport, delivered: Sequence[Delivered | None] = (), files: Sequence[str] = ()
) -> str:
    """results.json as text; ``delivered`` by system, ``files`` are those that it belongs with."""
    content = house_results(report, delivered) if isinstance(report, HouseReport) else results(report, *delivered)
    if report.made_from is not None:
        content |= {"made_from": report.made_from.described(), "files": list(files)}
    return _in_lines(content) + "\n"


_JSON = json.JSONEncoder(ensure_ascii=False, allow_nan=False)


def _in_lines(value: Any, depth: int = 3, margin: str = "\n") -> str:
    """JSON with a line for each key of the outer objects and for each entry of their lists.

    The library's own indents would put each number on a line, in ten times the time.
    """
    margin += " "
    if value and isinstance(value, dict) and depth:
        parts = [f"{_JSON.encode(key)}: {_in_lines(inner, depth - 1, margin)}" for key, inner in value.items()]
        return "{" + margin + f",{margin}".join(parts) + margin[:-1] + "}"
    if value and isinstance(value, list):
        return "[" + margin + f",{margin}".join(map(_JSON.encode, value)) + margin[:-1] + "]"
    return _JSON.encode(value)


def _marked(delivery: Delivery) -> dict[str, Any]:
    """The damper marks, what they deliver, and what each number of dampers costs."""
    marks, study, front = delivery.marks, delivery.study, delivery.by_dampers
    off = "room variant delivered_cfm design_cfm tolerances"
    out: dict[str, Any] = {
        "damper_marks": [_mark_table(table) for table in marks.chosen.tables],
        "rooms_outside_open": marks.rooms_outside_open,
        "rooms_outside_marked": [_of(room, off) for room in marks.chosen.outside],
        **_of(marks, "one_mark_rooms_outside=one_alone.rooms_outside least_dampers"),
        "damper_cost": study.plan.damper_cost * len(marks.chosen.runs),
        "delivered_marked": _delivered(marks.chosen.delivered, study.plan),
    }
    if front is not None and front.proof is not None:
        out["by_dampers_proof"] = _of(front.proof, "bound to_the_end=closed")
    if front is not None:
        out["by_dampers"] = [
            {
                **_of(e, "dampers positions cost duct_cost"),
                "best_bound": _down(e.bound),
                **_of(e, "distinct_sizes rooms_outside worst_tolerances"),
                "size_set": study.case.labels(e.size_index),
            }
            for e in front.entries
        ]
    return out


def _lot_marks(delivery: Delivery, air: LotAir, number: int | None) -> dict[str, Any]:
    """How one lot is set: the ``table`` of its product's marks, from 1; null for marks of its own."""
    return {
        "lot": air.result.lot.name,
        "table": number,
        **({} if number else {"damper_marks": _blades(air.table)}),
        "rooms_outside": rooms_off(delivery, air),
    }


def _blades(table: MarkTable) -> dict[str, Any]:
    return {
        "runs": {
            run: {f"{season}_inwc_per_cfm2": part for season, part in zip(table.seasons, takes, strict=True)}
            for run, takes in zip(table.runs, table.inwc_per_cfm2, strict=True)
        },
        "angles_deg": {
            run: dict(zip(table.seasons, angles, strict=True))
            for run, angles in zip(table.runs, table.angle_deg, strict=True)
        },
    }


def _mark_table(table: MarkTable) -> dict[str, Any]:
    return {
        "orientations": _faces(table.orientations),
        **_blades(table),
        **_of(table, "dampers positions rooms_outside worst_tolerances"),
    }


def _faces(groups: Iterable[tuple[str, bool | None]]) -> list[dict[str, Any]]:
    return [{"front_faces": front, "mirrored": mirrored} for front, mirrored in groups]


def _flex_comparison(buying: Buying) -> dict[str, Any]:
    """Products alone, approved together, prices at which they cost the same, and which size to drop first."""
    found = buying.comparison
    compressed = "compression_pct holds sections_out=broken least_cost=cost worst_room worst_room_pct"
    sized = "status=recommended.status least_cost=least.cost cost=recommended.cost "
    sized += "distinct_sizes=recommended.distinct_sizes"
    spare = "headroom_run headroom_pct=least_headroom_pct lowest_room lowest_room_pct "
    spare += "balanced_within_tolerance=balanced_within"
    return {
        "alone": [
            {
                **_of(one, f"flex {sized} size_set {spare}"),
                "compressed": [_of(c, compressed) for c in one.compressed],
            }
            for one in (found.alone if found else ())
        ],
        "approved": [_of(a, f"flex {sized} extra_cost") for a in (found.approved if found else ())],
        "break_even": [_of(p, "flex=product against price_pct") for p in (found.break_even if found else ())],
        "drop_first": [_of(d, "kind shape size cost_with_the_rest=rest_cost least_cost=cost") for d in buying.dropped],
    }


def _orientation(result: OrientationStudy) -> dict[str, Any]:
    """Rooms by sensitivity, packages, whether the set holds at every degree, and every lot at its own azimuth."""
    house, check, study = result.house, result.degrees, result.study
    options = "options" if study.plan.houses else ""
    moved = (
        "room season smallest_cfm largest_cfm least_face=least_front least_mirrored driving_face=driving_front "
        f"driving_mirrored size_steps glass_pct has_glass load_change_pct shared_out {options}"
    )
    lot = "lot=lot.name azimuth_deg=lot.azimuth_deg mirrored=lot.mirrored flex=lot.flex holds covered "
    lot += f"{options and 'options=lot.options'} airflow_from=source"
    every_degree = None
    if check is not None:
        every_degree = {
            "step_deg": check.step_deg,
            "directions": len(check.azimuth_deg),
            **_of(check, "between_fronts=between holds"),
            "highest_use": float(check.use.max()),
            "largest_step": check.largest_step,
            "ranges": [
                _of(r, "section limit=limit_name first_deg last_deg over_limit_pct=excess_pct") for r in check.broken
            ],
        }
    return {
        "screening": result.screening,
        "sensitivity": [_of(r, moved) for r in result.sensitivity],
        "house_cooling_change_btuh": None if house is None else house.change_btuh,
        **({"house_cooling_change_options": house.options} if house and options else {}),
        "packages": _packages(result),
        "every_degree": every_degree,
        "lots": [
            {
                **_of(r, lot),
                "packages": {
                    str(p.n_package): None if p.package is None else p.package + 1
                    for p in result.lot_packages
                    if p.lot == r.lot.name
                },
                "run_airflow_cfm": {
                    season: {run.name: cfm for run, cfm in zip(study.tree.runs, r.run_airflow_cfm[k], strict=True)}
                    for k, season in enumerate(study.plan.seasons)
                },
            }
            for r in result.lots
        ],
    }


def _packages(result: OrientationStudy) -> list[dict[str, Any]]:
    found = result.packages
    return [
        {
            **_of(choice, "packages=n_package expected_cost best_bound=bound proven"),
            "saving": found.saving(choice.n_package),
            "division": [
                {
                    "orientations": _faces(package.groups),
                    "also_holds": _faces(package.also_holds),
                    "mix_pct": 100.0 * package.weight,
                    "cost": package.cost,
                    "size_set": result.study.case.labels(package.size_index),
                }
                for package in choice.packages
            ],
        }
        for choice in (found.choices if found else ())
        if found is not None
    ]


def _margins(study: Study) -> dict[str, Any] | None:
    """The tightest limit of each sort; more digits than elsewhere, so that a hair can be told from nothing."""
    if study.sized is None:
        return None
    units, margins = study.plan.units, study.sized.margins
    return {
        "tolerance": HOLDS_TOLERANCE,
        "met_exactly": margins.exact,
        "smallest": [
            {
                **_of(m, "limit of place variant"),
                "amount": units.shown(m.amount, m.unit),
                "allowed": units.shown(m.allowed, m.unit),
                "margin": units.shown(m.left, m.unit),
                "margin_pct": m.left_pct,
                "unit": units.unit(m.unit),
                **_of(m, "limits met_exactly=exact"),
            }
            for m in margins.tightest
        ],
    }


def _velocity_limits(study: Study) -> dict[str, Any]:
    """By section: its limit, what is left of it in the variant that leaves least, and that variant."""
    found = {}
    for section in study.tree.sections:
        entry: dict[str, Any] = {"velocity_limit_fpm": study.plan.velocity_limit_fpm(section)}
        if study.sized is not None:
            left = study.sized.margins.velocity_fpm[section.name]
            v = int(np.argmin(np.round(left, 9)))
            entry |= {"velocity_margin_fpm": left[v], "variant": study.variants.variants[v]}
        found[section.name] = entry
    return found


def _variants(study: Study) -> list[dict[str, Any]]:
    tree, by_friction_rate, sized = study.tree, study.by_friction_rate, study.sized
    found = []
    for v, variant in enumerate(study.variants.variants):
        sections = {}
        for i, section in enumerate(tree.sections):
            if not section.is_built(variant.options):
                continue
            own = by_friction_rate.friction_rate_size[v, i]
            sections[section.name] = {
                "airflow_cfm": study.variants.airflow_cfm[v, i],
                "velocity_fpm": None if sized is None else sized.velocity_fpm[v, i],
                "loss_inwc": None if sized is None else sized.verification.loss_inwc[section.name][v],
                "own_size": study.table.sizes[own].label if own >= 0 else "",
                "friction_rate_inwc_per_100ft": by_friction_rate.section_friction_rate[v, i],
                "exact_diameter_in": by_friction_rate.exact_diameter_in[v, i],
            }
        paths = {}
        for p, run in enumerate(tree.runs):
            if not study.variants.open_run[v, p]:
                continue
            available = by_friction_rate.path_available_inwc[v, p]
            loss = None if sized is None else sized.verification.path_loss_inwc[run.name][v]
            paths[run.name] = {
                "loss_inwc": loss,
                "available_inwc": available,
                "slack_inwc": None if loss is None else available - loss,
                "total_effective_length_ft": by_friction_rate.total_effective_length_ft[p],
                "friction_rate_inwc_per_100ft": by_friction_rate.friction_rate[v, p],
            }
        found.append({**_variant(variant, study.plan), "sections": sections, "paths": paths})
    return found


def _delivered(got: Delivered, plan: Plan) -> list[dict[str, Any]]:
    total, static = got.total_cfm, got.external_static_inwc
    return [
        {
            **_variant(variant, plan),
            "total_cfm": total[v],
            "external_static_inwc": static[v],
            "runs": {
                run.name: {"airflow_cfm": got.run_cfm[v, p], "design_cfm": got.run_design_cfm[v, p]}
                for p, run in enumerate(got.tree.runs)
                if got.variants.open_run[v, p]
            },
        }
        for v, variant in enumerate(got.variants.variants)
    ]


def _variant(variant: Variant, plan: Plan) -> dict[str, Any]:
    out: dict[str, Any] = {
        "front_faces": variant.front,
        "mirrored": variant.mirrored,
        "season": variant.season,
        "flex": variant.flex,
    }
    return {**out, "options": list(variant.options)} if plan.houses else out


def _of(thing: Any, names: str) -> dict[str, Any]:
    """Some attributes of a thing, under their names or as ``name=path``; None where a path ends early."""
    found = {}
    for word in names.split():
        name, _, path = word.partition("=")
        value = thing
        for attribute in (path or name).split("."):
            value = None if value is None else getattr(value, attribute)
        found[name] = value
    return found


# Digits of numbers by the end of their key or of one above it; of all others 6, well below anything measurable.
_DIGITS = {"inwc": 8, "inwc_per_100ft": 8, "inwc_per_cfm2": 12, "margins": 12, "margin_pct": 10}


@cache
def _digits(key: str, above: int) -> int:
    return next((digits for end, digits in _DIGITS.items() if key.endswith(end)), above)


def _plain(value: Any, plan: Plan, digits: int = 6) -> Any:
    """What JSON can hold: numbers as ``_number`` has them, variants as dicts, tuples as lists."""
    if isinstance(value, float):
        return _number(value, digits)
    if isinstance(value, Variant):
        value = _variant(value, plan)
    if isinstance(value, Mapping):
        return {key: _plain(inner, plan, _digits(key, digits)) for key, inner in value.items()}
    return [_plain(inner, plan, digits) for inner in value] if isinstance(value, list | tuple) else value


def _number(value: float, digits: int = 6) -> float | None:
    """Rounded, so that machines agree; None where there is no number, no -0."""
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None


def _bound(solution: Solution) -> float | None:
    """What no cost is below: of an optimum its cost, else rounded down, so that it stays true."""
    return solution.bound if solution.status == "optimal" else _down(solution.bound)


def _down(bound: float) -> float | None:
    return math.floor(bound * 1e6) / 1e6 if math.isfinite(bound) else None
