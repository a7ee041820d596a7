"""Simulated heads with one thing wrong, each of another size, and good heads that are made more or less well, for
`tests/extra/diagnose.py`. Sizes begin where the scripts' limits leave no doubt, and end far beyond.
"""


def either(draw, low, high):
    """A size of either sign."""
    return draw.choice((-1, 1)) * draw.uniform(low, high)


def good(draw):
    facets = draw.choice((6, 8, 10, 12))
    return {
        "facets": {"count": facets, "division": f"{draw.uniform(2, 15)} arcsec",
                   "facet_to_axis": f"{draw.uniform(2, 14)} arcsec", "reflectivity": draw.uniform(0, 0.07)},
        "lens": {"distortion": f"{either(draw, 0, 40)} um"},
        "rotor": {"jitter": f"{draw.uniform(0.5, 5)} ppm",
                  "ripple": [{"order": 1, "amplitude": f"{draw.uniform(1, 7)} ppm"}],
                  "hunting": [{"frequency": f"{draw.uniform(0.3, 3)} Hz", "amplitude": f"{draw.uniform(1, 12)} ppm"}]},
        "gauge": {"noise": f"{draw.uniform(0.2, 1.6)} um", "stated": f"{draw.uniform(1, 2)} um"},
        "galvanometer": {"natural_frequency": f"{draw.uniform(1.5, 4)} kHz", "damping": draw.uniform(0.55, 0.9)},
    }


def fault(kind, **keys):
    return {"fault": [{"kind": kind, **keys}]}


# The cause, and the tables of a description.
DRAWN = {
    "": good,
    "focal_length": lambda d: {"lens": {"focal_length_error": either(d, 0.0006, 0.02)}},
    "gauge_scale": lambda d: {"gauge": {"scale": either(d, 0.0006, 0.005)}},
    "gauge_turned": lambda d: {"gauge": {"turn": f"{either(d, 0.2, 200)} mrad"}},
    "lens_odd": lambda d: {"lens": {"distortion": f"{either(d, 0.15, 3)} mm"}},
    "lens_even": lambda d: {"lens": {"even_distortion": f"{either(d, 0.08, 2)} mm"}},
    "bow": lambda d: {"lens": {"bow": f"{either(d, 0.08, 1)} mm"}},
    "facets_not_flat": lambda d: {"facets": {"stretch": f"{d.uniform(80, 2000)} ppm"}},
    "facets_lean_along": lambda d: {"facets": {"skew": d.uniform(8e-5, 1e-3)}},
    "facet_dim": lambda d: {"facets": {"reflectivities": [d.uniform(0.52, 0.64), *(d.gauss(1, 0.03) for _ in range(9))]}},
    "laser_weak": lambda d: {"laser": {"strength": d.uniform(0.3, 0.85)}},
    "laser_fades": lambda d: {"laser": {"power_drift": f"{-d.uniform(0.8, 3)} %/K"}},
    "power_ramp": lambda d: {"laser": {"ramp": either(d, 0.15, 0.6)}},
    "facets_narrow": lambda d: {"laser": {"beam_diameter": f"{d.uniform(16.5, 20)} mm"}},
    "hunting": lambda d: {"rotor": {"hunting": [{"frequency": f"{d.uniform(0.2, 10)} Hz",
                                                 "amplitude": f"{d.uniform(28, 110)} ppm"}]}},
    "ripple": lambda d: {"rotor": {"ripple": [{"order": d.choice((1, 2, 3, 4)),
                                               "amplitude": f"{d.uniform(60, 200)} ppm"}]}},
    "delay_drift": lambda d: {"thermal": {"delay_drift": f"{either(d, 1.5, 10)} ns/K"}},
    "gauge_creep": lambda d: {"gauge": {"creep": f"{d.choice((-1, 1)) * 10 ** d.uniform(-7.5, -5.8)} m/s"}},
    "gauge_wild": lambda d: {"gauge": {"wild": d.uniform(0.02, 0.05), "wild_error": f"{d.uniform(15, 100)} um"}},
    "in_scan_gain": lambda d: {"trims": {"in_scan_gain": d.choice((d.uniform(0.05, 0.95), d.uniform(1.05, 2.5)))}},
    "cross_scan_gain": lambda d: {"trims": {"cross_scan_gain": d.choice((d.uniform(0.05, 0.95), d.uniform(1.05, 2.5)))}},
    "galvanometer_gain": lambda d: {"galvanometer": {"gain_error": either(d, 0.02, 0.2)}},
    "galvanometer_rings": lambda d: {"galvanometer": {"damping": d.uniform(0.05, 0.25)}},
    "galvanometer_slew": lambda d: {"galvanometer": {"range": "15 mrad", "slew": f"{d.uniform(0.01, 0.1)} rad/s"}},
    "trims_rotated": lambda d: {"trims": {"rotated": d.randrange(1, 10)}},
    "drive_weak": lambda d: {"rotor": {"torque_most": f"{d.uniform(1.5, 2.2)} mN*m"}},
    "drive_slow": lambda d: fault("slow_lock", share=d.uniform(0.05, 0.3)),
    "ghost_pulse": lambda d: fault("ghost_pulse", facet=d.randrange(10))
    | {"start_of_scan": {"ghost_early": d.uniform(0.01, 0.3)}},
    "gauge_jumped": lambda d: fault("gauge_lying", offset=f"{either(d, 4, 100)} um", at=f"{d.uniform(86.5, 690)} s"),
    "detector_dropouts": lambda d: fault("start_of_scan_dropouts", share=10 ** d.uniform(-2, -0.3)),
}


def written(value):
    """A value of a TOML file, on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {written(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    return f'"{value}"' if isinstance(value, str) else repr(value)


def description(cause, draw):
    """The text of a head's description."""
    return "".join(f"{table} = {written(keys)}\n" for table, keys in DRAWN[cause](draw).items())
