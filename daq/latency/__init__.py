"""How late each channel is against the encoder, and how surely that is known. Pure numpy."""

from daq.latency.chain import ForceChain, Hose, cycle_mean, lag_error, speed_of_sound
from daq.latency.delay import Delay, Refusal, Window, fit_delay
from daq.latency.exhaust import (
    StepResponse,
    TransportDelay,
    air_flow,
    configured_delay,
    exhaust_flow,
    fit_step,
    measured_delay,
)
from daq.latency.gesture import Gesture, find_gestures

__all__ = [
    "Delay",
    "ForceChain",
    "Gesture",
    "Hose",
    "Refusal",
    "StepResponse",
    "TransportDelay",
    "Window",
    "air_flow",
    "configured_delay",
    "cycle_mean",
    "exhaust_flow",
    "find_gestures",
    "fit_delay",
    "fit_step",
    "lag_error",
    "measured_delay",
    "speed_of_sound",
]
