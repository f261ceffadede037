"""Which of a pack's two dates a site stands for towards its customers."""

from enum import StrEnum


class PromisesBy(StrEnum):
    """
    The end of life customers are promised by.

    The median is as likely too late as too early; before the cautious date one pack in ten ends. Stock is
    taken in the order of the median either way: it is the better guess of what is over first.
    """

    MEDIAN = "median"
    CAUTIOUS = "cautious"
