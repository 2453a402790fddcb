"""A jar's result as it is stored: one form, made from a reading or read back from its file.

`jarvision.results.from_reading` makes it, `jarvision.results.codec` writes it as JSON and reads it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from jarvision.core.arrays import Array
from jarvision.core.doubts import Doubt
from jarvision.core.files import OVERLAY_PREFIX, safe_name
from jarvision.core.measured import Measured
from jarvision.core.series import Reading, SaidOfPhoto
from jarvision.core.units import Span
from jarvision.estimate.corrections import JarLine
from jarvision.estimate.given import Given
from jarvision.estimate.jar_sand import JarSand
from jarvision.estimate.texture import Texture, TextureClass
from jarvision.jar.geometry import View
from jarvision.results.sand_seen import SandRow
from jarvision.wall.measurement import LAYERS as LAYERS
from jarvision.wall.measurement import JarMeasurement, Three

PREFIX, SUFFIX = "jar-", ".json"

MeasuredThree: TypeAlias = "tuple[Measured, Measured, Measured]"


@dataclass(frozen=True, slots=True)
class WeightRow:
    """What is printed of a jar's soil by weight, estimated.

    Attributes
    ----------
    pcts, los, his : tuple of 3 floats
        Sand, silt and clay [% of the mineral mass], and the limits of their 90 % intervals.
    texture_class : TextureClass
        The likeliest class by weight.
    class_odds : float
        How likely it is, 0 to 1.
    water_state : str
        The water at the last photo: clear, hazy, cloudy or unknown.
    notes : tuple of str
        Why it differs from the result by height, and what it rests on.
    """

    pcts: Three
    los: Three
    his: Three
    texture_class: TextureClass
    class_odds: float
    water_state: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """What is printed about one jar.

    Attributes
    ----------
    jar : str
        Number on the strip, or the name of the jar's file or folder.
    photos : tuple of str
        Names of the photos that were read.
    tops_mm, top_sds_mm : tuple of 3 floats
        Tops of sand, silt and clay above the inside floor [mm], and one standard deviation.
    pcts, pct_sds : tuple of 3 floats
        Shares of the height [%], and one standard deviation [points].
    texture_class, next_class : TextureClass or None
        The likeliest class and the next; None when unknown or when there is no next.
    class_odds, next_odds : float
        How likely each is, 0 to 1.
    doubts : tuple of Doubt
        Doubts about this jar.
    by_weight : WeightRow or None
        The result by weight, where there is one.
    name, bed : str
        What the user's list of jars calls it, and the bed it is from; empty where not given.
    put_right : tuple of str
        The lines that somebody put right by hand, and what was said of photos.
    sand : SandRow or None
        What was seen of its sand's grain; None where that was not looked at.

    Numbers that are unknown are NaN.
    """

    jar: str
    photos: tuple[str, ...]
    tops_mm: Three
    top_sds_mm: Three
    pcts: Three
    pct_sds: Three
    texture_class: TextureClass | None
    class_odds: float
    next_class: TextureClass | None
    next_odds: float
    doubts: tuple[Doubt, ...]
    by_weight: WeightRow | None = None
    name: str = ""
    bed: str = ""
    put_right: tuple[str, ...] = ()
    sand: SandRow | None = None


@dataclass(frozen=True, slots=True)
class NamedDoubt:
    """A doubt as it was written down."""

    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Unread:
    """Why a jar was not read."""

    reason: str
    sentence: str


@dataclass(frozen=True, slots=True)
class DepositTop:
    """The top of all that was down in one photo.

    Attributes
    ----------
    elapsed_s : float
        Time since shaking [s]; NaN where not known.
    top_mm, sd_mm : float
        Height above the inside floor and one standard deviation [mm, nominal without a scale].
    layer : str
        The layer that was settling.
    photo : str
        The photo's file name.
    """

    elapsed_s: float
    top_mm: float
    sd_mm: float
    layer: str
    photo: str


@dataclass(frozen=True, slots=True)
class Interim:
    """What is told of a jar whose last photo is not there yet.

    Attributes
    ----------
    verdict : str
        ``"good"`` or ``"take_again"``: whether the newest photo will do.
    sentence : str
        The same for the gardener, with what is wrong and what to do.
    photo : str
        The newest photo's file name.
    next_reading : str
        Which photo is due next.
    next_due_s : float
        Time since shaking at which it is due [s].
    next_due_at : str
        The same by the camera's clock, ISO 8601; empty where not known.
    next_sentence : str
        The same for the gardener.
    """

    verdict: str
    sentence: str
    photo: str
    next_reading: str
    next_due_s: float
    next_due_at: str
    next_sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Sand, silt and clay in one of the two ways of telling them.

    Attributes
    ----------
    pcts : tuple of 3 Measured
        Sand, silt and clay [%] with one standard deviation [points].
    ranges_pct : tuple of 3 (float, float)
        The 90 % interval of each [%].
    texture : Texture
        Class odds.
    draws_pct : ndarray, shape (n, 3)
        Draws of sand, silt and clay [%], each row 100 in all; read-only.
    """

    pcts: MeasuredThree
    ranges_pct: tuple[tuple[float, float], ...]
    texture: Texture
    draws_pct: Array

    @property
    def spans_pct(self) -> tuple[Span, ...]:
        """Sand, silt and clay as they are printed, each between the ends of its range [%]."""
        ends = zip(self.pcts, self.ranges_pct, strict=True)
        return tuple(Span(low, share.value, high) for share, (low, high) in ends)


@dataclass(frozen=True, slots=True)
class Curve:
    """How the deposit rose, as the draws by weight have it.

    Attributes
    ----------
    time_s : tuple of float
        Times since shaking [s], rising, more than 0.
    lo_mm, mid_mm, hi_mm : tuple of float
        Limits of the 90 % interval and the middle of the deposit's top [mm].
    """

    time_s: tuple[float, ...]
    lo_mm: tuple[float, ...]
    mid_mm: tuple[float, ...]
    hi_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ByWeight:
    """The result by weight, estimated.

    Attributes
    ----------
    shares : Shares
    why : str
        One sentence on why it differs from the result by height; may be empty.
    prior_note : str
        The sentence that labels a result that is mostly assumption; empty otherwise.
    water_state : str
        The water at the last photo: clear, hazy, cloudy, unknown; may be empty.
    curve : Curve or None
    doubts : tuple of NamedDoubt
        Doubts about this result, not about the reading.
    """

    shares: Shares
    why: str
    prior_note: str
    water_state: str
    curve: Curve | None
    doubts: tuple[NamedDoubt, ...]


@dataclass(frozen=True, slots=True)
class LayerTop:
    """The top of a layer in one photo, above the inside floor [mm, nominal without a scale]."""

    layer: str
    top_mm: Measured


@dataclass(frozen=True, slots=True)
class PhotoRecord:
    """A photo that was read.

    Attributes
    ----------
    name : str
        File name; text only.
    reading : Reading or None
    elapsed_s : float
        Time since shaking [s]; NaN when unknown.
    overlay : str or None
        Plain file name of its overlay picture, beside the JSON.
    tops : tuple of LayerTop
        Lowest first.
    time_from : str
        What the time rests on.
    """

    name: str
    reading: Reading | None
    elapsed_s: float
    overlay: str | None
    tops: tuple[LayerTop, ...]
    time_from: str = ""


@dataclass(frozen=True, slots=True)
class PhotoDigest:
    """A photo by its name and the digest of its contents."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class MadeFrom:
    """What a result rests on.

    Attributes
    ----------
    program : str
        Version of the program and digest of its text.
    settings : str
        Digest of the settings.
    photos : tuple of PhotoDigest
        The jar's photos.
    fingerprint : str
        Digest over all of it: while it is the same, so is the result.
    """

    program: str
    settings: str
    photos: tuple[PhotoDigest, ...]
    fingerprint: str = ""


@dataclass(frozen=True, slots=True)
class PhotoView:
    """Where a jar's wall lies in a photo that was read.

    Attributes
    ----------
    size_px : tuple of int
        Height and width of the upright working picture.
    view : View
        Camera and jar.
    pieces_rad : tuple of (float, float)
        First and last azimuth of each free piece of wall [rad].
    """

    size_px: tuple[int, int]
    view: View
    pieces_rad: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class PutRight:
    """A line as somebody saw it: a row of `corrections.csv`.

    Attributes
    ----------
    jar, photo : str
        Name of the jar, and of the photo in which the line was seen; the photo may be empty.
    what : JarLine
        Which line.
    value_mm, sd_mm : float
        Height of a top or of the water line above the inside floor, or of the floor above the one
        that was read, and one standard deviation [mm, nominal where the jar has no scale].
    by, at, note : str
        Who said so, when, and why; each may be empty.
    read_mm : float
        What had been read; NaN where nothing was.
    photo_sha256 : str
        Digest of the photo's contents, by which the line is known again; may be empty.
    line : int
        Where it stands in the table.
    """

    jar: str
    photo: str
    what: JarLine
    value_mm: float
    sd_mm: float
    by: str = ""
    at: str = ""
    note: str = ""
    read_mm: float = math.nan
    photo_sha256: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class JarRecord:
    """All that was written down of a jar.

    Attributes
    ----------
    jar : str
        Its strip's number, or its name; text from a user or a file.
    stem : str
        Its file's name without ``jar-`` and ``.json``, unique in its folder.
    scaled : bool
        Whether heights are millimetres; else only their ratios mean anything.
    tops : tuple of 3 Measured or None
        Tops of sand, silt and clay above the inside floor [mm, nominal without a scale].
    water_line_mm : float
        Water line above the inside floor [mm, nominal without a scale]; NaN when not seen.
    by_height : Shares or None
        None when the jar was not read, or its last photo is not there yet.
    by_weight : ByWeight or None
    not_weighed : str
        Why there is no result by weight; empty when there is one or nothing is said.
    doubts : tuple of NamedDoubt
        Doubts about the reading.
    left_out : tuple of (str, str)
        Photos that were not used, each with its sentence.
    unread : Unread or None
        Set when the jar could not be read.
    interim : Interim or None
        Set when its last photo is not there yet; then neither `by_height` nor `unread` is, and
        tops that are not down yet are NaN.
    name, bed : str
        What the user's list of jars calls it, and the bed it is from; empty where not given.
    water_state : str
        The water above the clay in the last photo: clear, cloudy or unknown.
    profile : str
        Name of the jar profile by which heights became volumes; empty where there is none.
    marks : mapping or None
        What lines on the glass mark, as `suggest_marks.offer_json` says it.
    row : ReadingRow or None
        What is printed of the jar, to six digits; None where it was not read.
    measurement, given : JarMeasurement, Given, or None
        All from which the result can be worked out again without a photo; None where the jar was
        not read, and in files of version 1.
    made_from : MadeFrom or None
        None where another run may do better.
    views : tuple of PhotoView
        One a photo of `photos`; empty in files of earlier versions.
    as_read : JarMeasurement or None
        What was measured before lines were put right by hand; None where none were.
    put_right : tuple of PutRight
        The lines that were.
    water_sd_mm : float
        One standard deviation of the water line [mm]; NaN when not seen.
    deposit : tuple of DepositTop
        The top of the deposit in every photo that shows it, in order of time.
    said : tuple of SaidOfPhoto
        What somebody said of its photos.
    sand : JarSand or None
        How coarse its sand is, with some of the draws; None where no grains were told.
    """

    jar: str
    stem: str
    strip_number: int | None
    made_by: str
    photos: tuple[PhotoRecord, ...]
    scaled: bool
    tops: MeasuredThree | None
    water_line_mm: float
    by_height: Shares | None
    by_weight: ByWeight | None
    not_weighed: str
    doubts: tuple[NamedDoubt, ...]
    left_out: tuple[tuple[str, str], ...]
    unread: Unread | None
    name: str = ""
    bed: str = ""
    water_state: str = ""
    profile: str = ""
    marks: Mapping[str, Any] | None = None
    row: ReadingRow | None = None
    measurement: JarMeasurement | None = None
    given: Given | None = None
    made_from: MadeFrom | None = None
    interim: Interim | None = None
    views: tuple[PhotoView, ...] = ()
    as_read: JarMeasurement | None = None
    put_right: tuple[PutRight, ...] = ()
    water_sd_mm: float = math.nan
    deposit: tuple[DepositTop, ...] = ()
    said: tuple[SaidOfPhoto, ...] = ()
    sand: JarSand | None = None

    @property
    def digests(self) -> tuple[PhotoDigest, ...]:
        """The photos that it was made from; none where that was not written down."""
        return self.made_from.photos if self.made_from else ()

    @property
    def seen(self) -> JarMeasurement | None:
        """What its photos show, before anybody put lines right; None where that is not known."""
        return self.as_read or self.measurement

    @property
    def by_hand(self) -> list[str]:
        """What was put right by hand: lines, and which jar or time its photos were given."""
        lines = {str(row.what) for row in self.put_right}
        return sorted(lines | {str(row.what) for row in self.said})

    @property
    def best(self) -> Shares | None:
        """The result by weight where there is one, since the classes are defined by it."""
        return self.by_weight.shares if self.by_weight else self.by_height


def json_name(jar: str) -> str:
    """File name of a jar's result; a jar that is called ``jar-08`` is not named twice."""
    return f"{PREFIX}{safe_name(jar.removeprefix(PREFIX) or jar)}{SUFFIX}"


def overlay_name(jar: str, reading: str) -> str:
    """File name of an overlay picture."""
    return f"{OVERLAY_PREFIX}{safe_name(jar)}-{reading}.jpg"
