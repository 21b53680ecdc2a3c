"""Settings common to all tests."""

from hypothesis import settings

# A busy machine is no defect: a first import may take longer than any deadline for one example.
settings.register_profile("common", deadline=None, print_blob=True)
settings.load_profile("common")
