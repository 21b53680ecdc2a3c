"""``python -m doe.practice [folder]`` writes the invented studies anew."""

import argparse

from doe.practice import write_demo

if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m doe.practice",
                                     description="Write the invented studies anew.")
    parser.add_argument("folder", nargs="?", default="data_demo", help="where they go")
    for path in write_demo(parser.parse_args().folder):
        print(path)
