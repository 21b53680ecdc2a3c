"""``python -m doe.practice [folder]`` writes the invented studies anew."""

import sys

from doe.practice import write_demo

if __name__ == "__main__":
    for path in write_demo(sys.argv[1] if len(sys.argv) > 1 else "data_demo"):
        print(path)
