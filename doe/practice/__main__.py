"""``python -m doe.practice [folder]`` writes the invented studies anew."""

import sys

from doe.errors import InputError
from doe.practice import write_demo

INPUT_REFUSED = 2

if __name__ == "__main__":
    words = sys.argv[1:]
    if len(words) > 1 or any(w.startswith("-") for w in words):
        sys.exit("Usage: python -m doe.practice [folder]   (data_demo, if none is named)")
    try:
        for path in write_demo(*words or ["data_demo"]):
            print(path)
    except InputError as error:
        print(error, file=sys.stderr)
        sys.exit(INPUT_REFUSED)
