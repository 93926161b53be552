"""Print the nth fenced command of README.md, so that what is tested is what is written there."""

import re
import sys
from pathlib import Path

readme = Path(__file__).parent.parent.joinpath("README.md").read_text(encoding="utf-8")
commands = re.findall(r"^```sh\n(.+?)\n```$", readme, re.M | re.S)
print(commands[int(sys.argv[1]) - 1])
