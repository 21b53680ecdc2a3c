"""Settings common to all tests."""

import os

# Many small products: threads of the linear algebra would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import settings

# A plain run draws the same examples everywhere, so that what is green here is green elsewhere.
# HYPOTHESIS_PROFILE=explore looks for new ones. A busy machine is no defect: a first import may
# take longer than any deadline for one example.
settings.register_profile("common", derandomize=True, deadline=None, print_blob=True)
settings.register_profile("explore", deadline=None, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "common"))
