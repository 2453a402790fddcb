"""Jars' JSON and overlay pictures for the report's tests, all made by code."""

import io
import json

import numpy as np
from PIL import Image, ImageDraw

LAYERS = ("sand", "silt", "clay")


def jar_dict(jar="5", *, pcts=(40.0, 40.0, 20.0), sd=2.0, seed=0, scaled=True, **changes):
    """A jar as its JSON holds it: a 50 mm deposit photographed at the three usual times."""
    draws = composition_draws(pcts, sd, seed)
    tops = np.cumsum(pcts) / 2
    photos = [
        photo_dict(jar, reading, elapsed_s, tops[: i + 1])
        for i, (reading, elapsed_s) in enumerate((("1min", 60), ("2h", 7300), ("48h", 172_900)))
    ]
    return {
        "format": "jarvision jar",
        "version": 1,
        "made_by": "jarvision 0.1.0",
        "jar": jar,
        "name": "",
        "bed": "",
        "strip_number": 5,
        "left_out": [],
        "scaled": scaled,
        "unit": "mm",
        "photos": photos,
        "tops": {k: {"value": float(t), "sd": 0.5} for k, t in zip(LAYERS, tops, strict=True)},
        "water_line": 110.0,
        "by_height": shares_dict(draws),
        "doubts": [],
        **changes,
    }


def composition_draws(pcts, sd, seed=0, count=400):
    rng = np.random.default_rng(seed)
    draws = np.abs(np.array(pcts) + sd * rng.standard_normal((count, 3)))
    return np.round(draws / draws.sum(axis=1, keepdims=True) * 100, 3)


def shares_dict(draws, *, odds=None):
    """A block of shares; the class odds are given, never worked out by the code under test."""
    middle, spread = draws.mean(axis=0).tolist(), draws.std(axis=0).tolist()
    block = {
        f"{layer}_pct": {"value": value, "sd": sd}
        for layer, value, sd in zip(LAYERS, middle, spread, strict=True)
    }
    block["class_odds"] = odds or {"loam": 0.9, "clay loam": 0.07, "silt loam": 0.03}
    block["draws_pct"] = draws.tolist()
    return block


def photo_dict(jar, reading, elapsed_s, tops):
    return {
        "name": f"{jar} {reading}.jpg",
        "reading": reading,
        "elapsed_s": elapsed_s,
        "time_from": "clock",
        "overlay": f"overlay-{jar}-{reading}.jpg",
        "boundaries": [
            {"layer": layer, "top": float(top), "sd": 0.3}
            for layer, top in zip(LAYERS, tops, strict=False)
        ],
    }


def weight_dict(pcts=(50.0, 38.0, 12.0), sd=4.0, **changes):
    times = np.geomspace(10, 200_000, 30)
    tops = np.interp(np.log(times), np.log([10, 60, 7200, 172_800]), [12, 20, 40, 50])
    block = shares_dict(composition_draws(pcts, sd, 1))
    for i, layer in enumerate(LAYERS):
        block[f"{layer}_pct"] |= {"lo": pcts[i] - 7, "hi": pcts[i] + 7}
    curve = {
        "time_s": times.tolist(),
        "lo_mm": (tops * 0.95).tolist(),
        "mid_mm": tops.tolist(),
        "hi_mm": (tops * 1.05).tolist(),
    }
    said = {"why": "The water had cleared.", "prior_note": "", "water_state": "clear"}
    return block | said | {"curve": curve} | changes


def unread_dict(jar="7"):
    return {
        "format": "jarvision jar",
        "version": 1,
        "made_by": "jarvision 0.1.0",
        "jar": jar,
        "strip_number": None,
        "left_out": [{"photo": "IMG_1.HEIC", "sentence": "This photo is too soft."}],
        "photos": [{"name": "a.jpg"}],
        "unread": {"reason": "no_deposit", "sentence": "No top of a deposit was found."},
    }


def picture(size=(300, 400), *, exif=None, fmt="JPEG"):
    """A picture with a coloured bar, as an overlay file."""
    image = Image.new("RGB", size, "#8a7a66")
    ImageDraw.Draw(image).rectangle((20, 200, 280, 380), fill="#553322")
    out = io.BytesIO()
    image.save(out, fmt, **({"exif": exif} if exif else {}))
    return out.getvalue()


def write_jar(folder, data, *, stem=None, pictures=True):
    """Write a jar's JSON with its overlays, and return its path."""
    path = folder / f"jar-{stem or data['jar']}.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    for photo in data["photos"] if pictures else ():
        if "overlay" in photo:
            (folder / photo["overlay"]).write_bytes(picture())
    return path
