"""check_bytes.py FOLDER: size and hash of every resource, by Python and sha256sum. Exit status 1: something differs."""
import json
import os
import subprocess
import sys

folder = sys.argv[1]
with open(os.path.join(folder, "datapackage.json"), encoding="utf-8") as file:
    resources = json.load(file)["resources"]
sums = ""
good = True
for resource in resources:
    path = resource["path"]
    algorithm, digest = resource["hash"].split(":")
    size = os.path.getsize(os.path.join(folder, path))
    if algorithm != "sha256":
        sys.exit(f"{path}: {algorithm} is not sha256")
    if size != resource["bytes"]:
        print(f"{path}: is {size} bytes long, not {resource['bytes']}")
        good = False
    sums += f"{digest}  {path}\n"
done = subprocess.run(["sha256sum", "--check", "--strict", "--quiet"], cwd=folder, input=sums, text=True)
if not good or done.returncode != 0:
    sys.exit(1)
print(f"sha256sum: {len(resources)} files are what the descriptor says")
