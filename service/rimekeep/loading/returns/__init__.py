"""Goods customers send back, over HTTP."""
