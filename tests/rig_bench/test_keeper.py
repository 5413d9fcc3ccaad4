"""Writing beside the control loop: whose failure is told to whom."""

from __future__ import annotations



