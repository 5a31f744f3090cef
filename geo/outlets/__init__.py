"""Outlets: do the wet readings gather at gullies, downpipes and wastes, or were they merely taken there?

One way of measuring at a time: groups of readings are never pooled and their chances never combined.
"""
