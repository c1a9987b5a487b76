"""Parts of the accuracy bench: what is drawn, how truth and score are matched, and the table."""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # cases run side by side; a case needs no threads of its own
