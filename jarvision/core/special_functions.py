"""Special functions of SciPy, all from one place that is loaded before any photo is opened.

Not when the first of them is called, though that would spare a run in which nothing has changed a
fifth of a second: where memory is short by then, the library that comes with them never returns.
"""

from scipy.special import j0, log_ndtr, logsumexp, ndtr, ndtri

__all__ = ["j0", "log_ndtr", "logsumexp", "ndtr", "ndtri"]
