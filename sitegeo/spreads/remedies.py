"""The field table: what birds do wrong, and what to change (common practice, no source)."""

from __future__ import annotations

from types import MappingProxyType

FIELD_TABLE = MappingProxyType(
    {
        "landing short": "move the pocket to them, thin the downwind end and carry those decoys "
        "upwind, or open the mouth wider",
        "landing wide": "close the side they land on with a few decoys from the mass, and open "
        "the pocket toward the guns",
        "past the end": "close the upwind end with a handful from the second group or the tail",
        "flaring": "look to the hide first (faces, shine, movement, cover overhead), then switch "
        "the motion decoys off and clear decoys that crowd the hide",
        "not finishing": "open the pocket, switch the motion decoys off as birds close, thin the "
        "spread, or call less",
    }
)
