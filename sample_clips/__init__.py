"""Invented runners with exactly known truth: motion, camera, pictures, clips.

`truth` needs no pixels and no extra package; drawing pictures needs numba (development only).
"""
