"""Stepleaf: from a block-style model, printed big, to a booklet that can be built from.

The stages read in this order, each a pure function of the values before it::

    read -> measure -> join -> order -> glue -> settle -> draw -> lay out

``steps.model`` holds the values that pass between them; ``steps.pipeline`` runs them.
"""
