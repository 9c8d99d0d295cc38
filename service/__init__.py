import os

# Small matrices of many threads are slower than of one, and requests are what goes on side by side here; numpy's linear
# algebra reads this when it is loaded. Whoever knows better sets it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
