"""Moisture: bases, dry references, profiles, wet stretches, and the wall nobody read.

Readings by two methods, materials, bases or instruments are never pooled, and a reading off the
scale is never averaged.
"""
