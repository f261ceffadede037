"""The shortest walk of a picker: exact for any number of cross aisles, and the rules of thumb beside it."""

from rimekeep.picking.core.walk.exact import shortest_walk, walk_length_m
from rimekeep.picking.core.walk.layout import Layout, Pick, PickOutsideLayout, Place, Walk
from rimekeep.picking.core.walk.rest import rest_of_walk

__all__ = [
    "Layout",
    "Pick",
    "PickOutsideLayout",
    "Place",
    "Walk",
    "rest_of_walk",
    "shortest_walk",
    "walk_length_m",
]
