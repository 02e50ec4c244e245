"""Small signs for the kinds of parts, after IEC 60617, as pieces of SVG around the origin.

Each fits a square of 24 units; lines take their colour from the group they stand in.
"""

from __future__ import annotations

SYMBOLS = {
    "battery": '<path d="M-11 0H-4M-4 -9V9M2 -5V5M2 0H11"/>',
    "wire": '<path d="M-11 0H11"/>',
    "connector": '<path d="M-11 0H-2M-6 -5L-1 0L-6 5M1 -5L6 0L1 5M6 0H11"/>',
    "fuse": '<path d="M-11 0H11M-8 -4H8V4H-8Z"/>',
    "switch": '<path d="M-11 0H-6L5 -7M6 0H11"/><circle cx="-6" cy="0" r="1.3"/>',
    "relay": '<path d="M-11 0H-7M7 0H11M-7 -5H7V5H-7ZM-3 5L3 -5"/>',
    "contacts": '<path d="M-11 0H-6L5 -7M6 0H11M0 -4V-11" stroke-dasharray="none"/>',
    "controller": '<path d="M-9 -8H9V8H-9ZM-9 -3H-11M-9 3H-11M9 0H11"/>',
    "load": '<circle cx="0" cy="0" r="8"/><path d="M-5.6 -5.6L5.6 5.6M-5.6 5.6L5.6 -5.6"/>',
    "motor": '<circle cx="0" cy="0" r="9"/><path d="M-4 4V-4L0 1L4 -4V4"/>',
    "generator": '<circle cx="0" cy="0" r="9"/><path d="M4 -2.5A4.5 4.5 0 1 0 4 3V0.5H1"/>',
    "ground": '<path d="M0 -9V0M-9 0H9M-6 4H6M-3 8H3"/>',
}
"""Kind of part, or `contacts` of a relay or controller -> its sign."""
