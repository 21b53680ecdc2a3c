"""Models kept in files: JSON that people can read, no pickles."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from doe.analysis.model_file import model_from_plain, model_to_plain
from doe.analysis.refitting import AnyFit
from doe.errors import InputError
from doe.files import keep_file

__all__ = ["load_model", "save_model"]


def save_model(fit: AnyFit, path: str | Path) -> Path:
    """Write `model_to_plain` as JSON; a half-written file never takes an old one's place."""
    text = json.dumps(model_to_plain(fit), indent=2, ensure_ascii=False, allow_nan=False)
    return keep_file(path, text + "\n", what="model")


def load_model(path: str | Path, data: pd.DataFrame, **options) -> AnyFit:
    """The fit that `save_model` wrote, made again from its data.

    Parameters
    ----------
    path : str or Path
    data : DataFrame
    **options
        As for `doe.analysis.model_from_plain`.

    Raises
    ------
    InputError
        If there is no such file, it is no kept model, or the fit does not come out the same.
    """
    path = Path(path)
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError("model file", str(path), f"it cannot be opened ({error.strerror})",
                         "Check the path") from None
    except (ValueError, RecursionError):
        raise InputError("model file", str(path), "it is not JSON", "Give a file that save_model "
                         "wrote") from None
    return model_from_plain(kept, data, **options)
