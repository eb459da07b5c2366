"""What a profile of targets may hold, and every fault of a file named with its line."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.errors import ProfileError
from technique.cautions import CAUTION_IDS
from technique.profile_lines import Fault, LinedValue, lined_value, shown

FORMAT: Final = "laneside/profile/1"
NO_SOURCE: Final = "common practice, no source"
LARGEST_FILE: Final = 32 * 1024
"""Bytes; the longest shipped profile takes a fifth of it."""
MOST_FAULTS_SHOWN: Final = 20

TargetSide = Literal["near", "each", "both"]
Use = Literal["running", "sprinting", "acceleration", "return"]
Evidence = Literal["strong", "moderate", "weak", "expert opinion", "common practice"]

Words = Annotated[str, Field(min_length=1, max_length=2000)]
Number = Annotated[float, Field(allow_inf_nan=False)]


def target_unit(key: str) -> str | None:
    """Unit of a measure or of its left-right difference; None when there is no such number.

    Differences of angles are in degrees, all others in % of the mean of both sides.
    """
    if key.startswith(SYMMETRY_PREFIX):
        base = MEASURES.get(key.removeprefix(SYMMETRY_PREFIX))
        if base is None or base.sided != "side" or base.unit == "class":
            return None
        return "deg" if base.unit == "deg" else "%"
    kind = MEASURES.get(key)
    return None if kind is None or kind.unit == "class" else kind.unit


def target_area(key: str) -> str:
    """Body area of a measure or of its left-right difference."""
    return MEASURES[key.removeprefix(SYMMETRY_PREFIX)].area


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Target(_Table):
    """A range that one measure is held against.

    Attributes
    ----------
    measure : str
        Key of `shared.catalogue.MEASURES`, or ``symmetry_<key>``.
    side : {"near", "each", "both"}
        The side towards the camera; each side by itself; the body as a whole.
    unit : str
        Must be the catalogue's unit.
    low, high : float or None
        Closed ends of the range; at least one is given.
    importance : int
        0 (shown, never a cue) to 3.
    source : str
        Citation, or "common practice, no source".
    evidence : str
        How strong the evidence is that the range matters.
    note : str or None
    """

    measure: str
    side: TargetSide
    unit: str
    low: Number | None = None
    high: Annotated[Number | None, Field(validate_default=True)] = None
    importance: Annotated[int, Field(ge=0, le=3)]
    source: Words
    evidence: Evidence
    note: Words | None = None

    @field_validator("measure")
    @classmethod
    def _known(cls, key: str) -> str:
        if target_unit(key) is None:
            if key in MEASURES:
                raise _fault(
                    f"measure {shown(key)} has no number to hold against a range", "remove this target"
                )
            raise _fault(f"unknown measure {shown(key)}", _nearest(key, _measure_names(), "measure keys"))
        return key

    @field_validator("side")
    @classmethod
    def _fits_measure(cls, side: TargetSide, info: ValidationInfo) -> TargetSide:
        key = info.data.get("measure")
        if key is not None:
            whole = key.startswith(SYMMETRY_PREFIX) or MEASURES[key].sided == "both"
            if whole and side != "both":
                raise _fault(
                    f"{shown(key)} has one value for the body, not one per side", "write  side: both"
                )
            if not whole and side == "both":
                raise _fault(f"{shown(key)} has one value per side", "write  side: near  or  side: each")
        return side

    @field_validator("unit")
    @classmethod
    def _unit_of_measure(cls, unit: str, info: ValidationInfo) -> str:
        key = info.data.get("measure")
        if key is not None and unit != target_unit(key):
            raise _fault(
                f"unit {shown(unit)} is not the unit of {shown(key)}", f'write  unit: "{target_unit(key)}"'
            )
        return unit

    @field_validator("high")
    @classmethod
    def _ordered(cls, high: float | None, info: ValidationInfo) -> float | None:
        if "low" in info.data:
            low = info.data["low"]
            if low is None and high is None:
                raise _fault("the target has neither low nor high", "give one of them or both")
            if low is not None and high is not None and low > high:
                raise _fault(f"low ({low:g}) is above high ({high:g})", "exchange the two numbers")
        return high

    @field_validator("evidence")
    @classmethod
    def _matches_source(cls, evidence: Evidence, info: ValidationInfo) -> Evidence:
        source = info.data.get("source")
        if source is not None and (source == NO_SOURCE) != (evidence == "common practice"):
            raise _fault(
                f"evidence {shown(evidence)} and source {shown(source)} contradict each other",
                f"use  evidence: common practice  exactly where  source: {NO_SOURCE}",
            )
        return evidence


class SpeedRange(_Table):
    """Running speed a profile suits, m/s."""

    low: Annotated[Number, Field(ge=0)]
    high: Annotated[Number | None, Field(validate_default=True)] = None
    unit: Literal["m/s"]

    @field_validator("high")
    @classmethod
    def _ordered(cls, high: float | None, info: ValidationInfo) -> float | None:
        low = info.data.get("low")
        if low is not None and high is not None and low > high:
            raise _fault(f"low ({low:g}) is above high ({high:g})", "exchange the two numbers")
        return high


class Profile(_Table):
    """A named set of targets.

    Attributes
    ----------
    title, description : str
        For people.
    version : int
        Counts up with every change of content.
    use : {"running", "sprinting", "acceleration", "return"}
        Chooses the wording of cues; "return" always brings the fixed return sentences.
    speed : SpeedRange
    cautions : tuple of str
        Names of `technique.cautions` or whole sentences of the writer's own.
    targets : tuple of Target
        At most one per measure.
    """

    format: Literal["laneside/profile/1"]
    title: Words
    description: Words
    version: Annotated[int, Field(ge=1)]
    use: Use
    speed: SpeedRange
    cautions: tuple[Words, ...] = ()
    targets: tuple[Target, ...]
    _name: str = ""
    _sha256: str = ""

    @property
    def name(self) -> str:
        """Built-in name, or the stem of the file."""
        return self._name

    @property
    def sha256(self) -> str:
        """Hash of the text it was read from: two results with the same hash share their targets."""
        return self._sha256

    def target(self, key: str) -> Target | None:
        """The target of that measure, or None."""
        return next((t for t in self.targets if t.measure == key), None)


def profile_from_text(text: str, name: str, file: str) -> Profile:
    """Read and check a profile.

    Parameters
    ----------
    text : str
        YAML.
    name : str
        Name the profile goes by.
    file : str
        How messages call the file.

    Returns
    -------
    Profile

    Raises
    ------
    ProfileError
        With every fault, each with its line, in one sentence.
    """
    lined = lined_value(text)
    if lined.faults and lined.value is None:
        raise _error(file, lined.faults)
    if lined.value is None:
        raise ProfileError(file, "line 1: the file is empty", "start from a copy of a shipped profile")
    if not isinstance(lined.value, dict):
        raise ProfileError(
            file,
            "line 1: a profile is a table of keys, one  key: value  to a line",
            "start from a shipped profile",
        )
    faults = list(lined.faults) + _own_faults(lined.value, lined)
    profile: Profile | None = None
    try:
        # JSON-like input: lists stand for tuples, yet a text never passes for a number.
        profile = Profile.model_validate(_tuples(lined.value))
    except ValidationError as error:
        faults += [_from_pydantic(e, lined) for e in error.errors(include_url=False)]
    if faults or profile is None:
        raise _error(file, sorted(set(faults), key=lambda f: (f.line, f.why)))
    profile._name = name
    profile._sha256 = hashlib.sha256(text.encode("utf-8")).hexdigest()
    return profile


def _tuples(value: object) -> object:
    if isinstance(value, list):
        return tuple(_tuples(v) for v in value)
    if isinstance(value, dict):
        return {k: _tuples(v) for k, v in value.items()}
    return value


def _own_faults(value: Mapping[str, object], lined: LinedValue) -> list[Fault]:
    """Faults that concern more than one entry: a measure used twice, an unknown caution."""
    faults: list[Fault] = []
    first: dict[str, int] = {}
    targets = value.get("targets")
    if targets == []:
        faults.append(Fault(lined.line(("targets",)), "'targets' is empty", "give at least one target"))
    for i, target in enumerate(targets if isinstance(targets, list) else []):
        key = target.get("measure") if isinstance(target, dict) else None
        if not isinstance(key, str):
            continue
        line = lined.line(("targets", i, "measure"))
        if key in first:
            why = f"measure {shown(key)} has two targets (first on line {first[key]})"
            faults.append(Fault(line, why, "keep one of them"))
        first.setdefault(key, line)
    cautions = value.get("cautions")
    for i, caution in enumerate(cautions if isinstance(cautions, list) else []):
        if isinstance(caution, str) and " " not in caution.strip() and caution not in CAUTION_IDS:
            mend = _nearest(caution, CAUTION_IDS, "named cautions") + ", or write a whole sentence"
            faults.append(Fault(lined.line(("cautions", i)), f"unknown caution {shown(caution)}", mend))
    return faults


def _measure_names() -> tuple[str, ...]:
    sided = [k for k, kind in MEASURES.items() if kind.sided == "side" and kind.unit != "class"]
    return (*(k for k in MEASURES if k != "strike_pattern"), *(SYMMETRY_PREFIX + k for k in sided))


def _nearest(word: str, known: Sequence[str], what: str) -> str:
    near = difflib.get_close_matches(word[:100], known, n=1)
    if near:
        return f"did you mean '{near[0]}'?"
    return (
        f"the {what} are listed in docs/profiles.md"
        if len(known) > 12
        else f"the {what} are {', '.join(known)}"
    )


def _fault(why: str, mend: str) -> PydanticCustomError:
    return PydanticCustomError("own", "{why}", {"why": why, "mend": mend})


def _from_pydantic(error: Any, lined: LinedValue) -> Fault:
    loc: tuple[str | int, ...] = tuple(error["loc"])
    line, key, kind = lined.line(loc), shown(loc[-1] if loc else "profile"), error["type"]
    ctx = error.get("ctx", {})
    given = error.get("input")
    if kind == "own":
        return Fault(line, ctx["why"], ctx["mend"])
    if kind == "missing":
        return Fault(lined.line(loc[:-1]), f"{key} is missing", f"add a line  {loc[-1]}: …")
    if kind == "extra_forbidden":
        model: type[BaseModel] = (
            Target if "targets" in loc[:-1] else SpeedRange if "speed" in loc[:-1] else Profile
        )
        return Fault(
            line, f"unknown key {key}", _nearest(str(loc[-1]), tuple(model.model_fields), "keys here")
        )
    if kind == "literal_error":
        return Fault(line, f"{key} can't be {shown(given)}", f"write {ctx['expected']}")
    if kind in ("float_type", "finite_number"):
        return Fault(line, f"{key} must be a number, not {shown(given)}", "write a number such as 12 or 0.25")
    if kind in ("int_type", "int_from_float"):
        return Fault(line, f"{key} must be a whole number, not {shown(given)}", "write a whole number")
    if kind == "string_type":
        return Fault(
            line,
            f"{key} must be text, not {shown(given)}",
            "write text, in quotes where it looks like a number",
        )
    if kind == "string_too_short":
        return Fault(line, f"{key} is empty", "write text there")
    if kind == "string_too_long":
        return Fault(line, f"{key} is too long", f"keep it under {ctx['max_length']} letters")
    if kind in ("greater_than_equal", "less_than_equal"):
        ends = "0 to 3" if loc[-1] == "importance" else f"at least {ctx.get('ge', 0):g}"
        return Fault(line, f"{key} is out of range ({shown(given)})", f"write a number, {ends}")
    if kind == "tuple_type":
        return Fault(line, f"{key} must be a list", "write one entry to a line, each with a dash in front")
    if kind in ("model_type", "model_attributes_type"):
        return Fault(line, f"{key} must be a table of keys", "write  key: value  lines, indented")
    return Fault(line, f"{key}: {error['msg']}", "compare with a shipped profile")


def _error(file: str, faults: Sequence[Fault]) -> ProfileError:
    if len(faults) == 1:
        (only,) = faults
        return ProfileError(file, f"line {only.line}: {only.why}", only.mend)
    some = [f"line {f.line}: {f.why} ({f.mend})" for f in faults[:MOST_FAULTS_SHOWN]]
    if len(faults) > MOST_FAULTS_SHOWN:
        some.append(f"and {len(faults) - MOST_FAULTS_SHOWN} more")
    return ProfileError(file, f"{len(faults)} faults: " + ", ".join(some), "correct these lines")


EVIDENCE_WORDS: Final[tuple[str, ...]] = get_args(Evidence)
