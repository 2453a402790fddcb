"""Read soil settling jars from photos, with honest uncertainty.

The flow, in the order of the modules::

    photo -> scale -> jar -> layers -> composition -> texture -> reading -> overlay / report
"""

__version__ = "0.1.0"
