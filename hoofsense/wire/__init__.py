"""Byte layouts: every decode_* stands beside its encode_*; from bytes only FrameError is raised."""
