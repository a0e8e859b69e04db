"""The stages as Prefect tasks and flows: caching, retries and schedules; no science."""

from paddlebrief.flows.quiet import silence

silence()
