"""Names, types and rules of the run file's layout; the specification in prose is ``layout.md``."""

from __future__ import annotations

import re

from daq.errors import RunFileError
from daq.status import AlignedStatus, SampleStatus

FORMAT = "daq-run"
FORMAT_VERSION = "1.0"
"""Additions raise the minor number, and readers ignore what they do not know; renames the major."""

LIBVER = ("v108", "v108")
"""Bounds of the HDF5 file format: what the tools of older systems and independent parsers read."""

NAME = re.compile(r"[a-z0-9]([a-z0-9_.]*[a-z0-9])?")
"""Names of groups and datasets, at most 63 characters. Source: NeXus naming rules, lower case."""
NAME_LENGTH = 63

ATTRIBUTES_PER_DATASET = 8
"""More would leave the object's header, where some readers no longer see them."""

CHUNK_BYTES = 524_288
"""Of one chunk: 65,536 values of 8 bytes."""
CONTIGUOUS_BYTES = 16_384
"""Arrays up to this size are stored in one piece: an index costs more than it saves."""

DTYPES = ("int32", "int64", "float64", "uint8", "str")
"""All value types that a run file holds; text is variable-length UTF-8."""

PURE_DIMENSION = "This is a netCDF dimension but not a netCDF variable."
"""NAME of a dimension scale without values. Source: netCDF-4 file format specification."""

INTEGRITY = "/run/integrity"

SAMPLE_FLAGS = tuple(flag.name.lower() for flag in SampleStatus if flag.name)
ALIGNED_FLAGS = tuple(flag.name.lower() for flag in AlignedStatus if flag.name)

STREAM_FACTS = ("device", "driver", "sampling", "nominal_rate_hz")
TIMING_FACTS = (
    "uncertainty_random_s", "uncertainty_bias_low_s", "uncertainty_bias_high_s", "clock_skew_ppm",
    "correction_s", "lateness_s", "index_hz",
)  # fmt: skip
"""Attributes of a stream, each with ``time_`` before it."""
SEGMENT_COLUMNS = (
    "x0",
    "y0",
    "slope",
    "first",
    "last",
    "anchors",
    "residual_05_s",
    "residual_50_s",
    "index_segment",
    "begins_ns",
    "rejected",
    "scatter_s",
    "unseen_s",
    "half_gap_s",
)
SEGMENT_COUNTS = ("anchors", "index_segment", "begins_ns", "rejected")
"""Those of them that are int64."""
TIME_FLAGS = "index_unsure gap_before late at_bound few_anchors slow_answer"
"""Bits of a row's ``time_flags``, the lowest first."""
CHANNEL_FACTS = ("quantity", "role")
LATENCY_FACTS = (
    "latency_s", "latency_uncertainty_s", "latency_source", "latency_a_s", "latency_b_s_rpm",
    "latency_sample_s", "latency_reason",
)  # fmt: skip
ALIGNED_FACTS = ("grid", "grid_rate_hz", "resampling")
CALIBRATION_FACTS = ("model", "applied", "input_unit", "unit")
RESULT_FACTS = ("method", "version", "standard")
WINDOW_FACTS = ("t_start", "t_end")

CLOCK_COLUMNS = ("monotonic", "raw", "boottime", "realtime")
GLOBAL_ATTRIBUTES = (
    "NX_class", "default", "format", "format_version", "Conventions", "title", "summary", "history",
    "source", "creator", "creator_version", "id", "date_created", "file_time",
    "time_coverage_start", "time_coverage_end", "time_coverage_duration",
)  # fmt: skip
"""Attributes of the root that the writer makes itself."""

RECORDED_GROUPS = tuple(f"/run/{name}" for name in ("sources", "events", "documents", "journal"))
RECORDED_DATASETS = ("raw_time", "raw_time_low", "index", "segment")


def is_recorded(path: str) -> bool:
    """True for an object that holds what was observed, False for what was made of it."""
    if any(path == group or path.startswith(group + "/") for group in RECORDED_GROUPS):
        return True
    parts = path.split("/")
    in_stream = parts[2:3] in (["streams"], ["windows"])
    return (in_stream and (parts[-1] in RECORDED_DATASETS or parts[-1].endswith("_raw"))) or (
        path.startswith("/run/clock")
    )


def check_name(name: str, where: str) -> None:
    """Raise RunFileError when *name* cannot name a group or dataset."""
    if not NAME.fullmatch(name) or len(name) > NAME_LENGTH:
        raise RunFileError(
            f"{where}: cannot name anything {name!r} in a run file; expected up to {NAME_LENGTH}"
            f" characters like {NAME.pattern}"
        )


def temperature_metadata(unit: str, quantity: str) -> str:
    """CF's ``units_metadata`` for a temperature, else "". Source: CF 1.11, section 3.1.2."""
    if unit not in ("degC", "K", "degF"):
        return ""
    return f"temperature: {'difference' if 'difference' in quantity else 'on_scale'}"


README = """\
One run on a roller bench.

aligned       every channel on one time grid, made from the streams. Begin here.
streams       each device's samples as they came. <channel>_raw: counts as decoded; <channel>: the
              calibrated value; <channel>_status: 0 is good, flag_meanings names the bits.
              time: seconds since the run's zero; raw_time: host clock as recorded, ns.
              <channel>_info: sensor, latency, range. A channel's latency is taken off in aligned,
              not in its stream's time.
calibrations  from raw to value: equation, coefficients, points, uncertainty, record.
sources       bytes and CAN frames as they came over the wire, not decoded.
windows       short intervals beside the run, laid out as streams.
results       what was computed, by which method, from which inputs.
events settings vehicle visit setup roller_sets ambient operator documents clock journal
integrity     SHA-256 of every object above.

Recorded and never altered: raw_time, raw_time_low, index, segment, *_raw, sources, events,
documents, clock, journal. Everything else is computed from these and can be computed again.
Numbers of time are seconds since zero unless the units say otherwise.
"""
