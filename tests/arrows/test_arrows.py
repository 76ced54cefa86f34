"""Whether arrows.py sees what it is there for: each row plants one breach in a small made-up tree that is sound
otherwise, and names the words that must come back."""
import pathlib
import tempfile
import unittest

import arrows

SOUND = {
    "meson.build": "",
    ".clang-format": "",
    "build/left_over.c": '#include "nowhere.h"\n',
    "rig/base/err.h": "",
    "rig/base/err.c": '#include "rig/base/err.h"\n\n#include <stdio.h>\n',
    "rig/wire/frame.h": "#include <stdint.h>\n",
    "rig/model/model.h": '#include "rig/base/err.h"\n',
    "rig/simulator/main.c": '#include "rig/model/model.h"\n#include "datasets/format/run_csv.h"\n',
    "datasets/format/run_csv.h": '#include "rig/base/err.h"\n',
    "capture/link.h": "",
    "capture/link_serial.c": '#include "capture/link.h"\n#include <libserialport.h>\n',
    "capture/rig_client.h": '#include "capture/link.h"\n#include "rig/wire/frame.h"\n',
    "capture/series_capture.h": '#include "capture/rig_client.h"\n#include "datasets/format/run_csv.h"\n',
    "capture/commands.h": '#include "capture/link.h"\n',
    "capture/command_run.c": '#include "capture/commands.h"\n#include "capture/series_capture.h"\nint a = printf("x");\n',
    "capture/main.c": '#include "capture/commands.h"\nvoid f(void) { exit(0); }\n',
    "capture/operator.c": "/* On stderr. */\nvoid f(void) { fputs(text, stderr); }\n",
    "analyze/numerics/fit.h": '#include "rig/base/err.h"\n',
    "analyze/numerics/fit.c": '#include "analyze/numerics/fit.h"\n#include <gsl/gsl_fit.h>\n',
    "analyze/push.h": '#include "analyze/numerics/fit.h"\n#include "datasets/format/run_csv.h"\n',
    "analyze/report/html.h": '#include "analyze/push.h"\n',
    "analyze/main.c": '#include "analyze/report/html.h"\n',
    "tests/test_all.c": '#include "capture/main.c"\n#include "analyze/push.h"\n#include <criterion/criterion.h>\n',
}

# File, what is added at its end, and words of the sentence that must name it.
BREACHES = [
    ("rig/base/err.h", '#include "rig/wire/frame.h"', "no arrow leads from rig/base to rig/wire"),
    ("rig/wire/frame.h", '#include "rig/base/err.h"', "no arrow leads from rig/wire to rig/base"),
    ("rig/wire/frame.h", "#include <stdio.h>", "freestanding"),
    ("rig/model/model.h", '#include "datasets/format/run_csv.h"', "no arrow leads from rig/model"),
    ("rig/simulator/main.c", '#include "capture/link.h"', "no arrow leads from rig/simulator to capture"),
    ("datasets/format/run_csv.h", '#include "analyze/push.h"', "no arrow leads from datasets/format"),
    ("capture/main.c", '#include "analyze/push.h"', "no arrow leads from capture to analyze"),
    ("capture/main.c", '#include "rig/model/model.h"', "no arrow leads from capture to rig/model"),
    ("capture/link.h", '#include "capture/rig_client.h"', "a layer above"),
    ("capture/link_serial.c", '#  include  "capture/series_capture.h"', "a layer above"),
    ("capture/main.c", "#include <libserialport.h>", "one file alone"),
    ("analyze/push.h", "#include <libserialport.h>", "only in capture"),
    ("analyze/push.h", "#include <gsl/gsl_math.h>", "only in analyze/numerics"),
    ("analyze/push.h", '#include "capture/link.h"', "no arrow leads from analyze to capture"),
    ("analyze/push.h", '#include "rig/wire/frame.h"', "no arrow leads from analyze to rig/wire"),
    ("analyze/push.h", '#include "analyze/report/html.h"', "no arrow leads from analyze to analyze/report"),
    ("analyze/numerics/fit.c", '#include "analyze/push.h"', "no arrow leads from analyze/numerics to analyze"),
    ("analyze/numerics/fit.c", '#include "analyze/report/html.h"', "no arrow leads from analyze/numerics"),
    ("analyze/numerics/fit.c", '#include "datasets/format/run_csv.h"', "no arrow leads from analyze/numerics"),
    ("analyze/main.c", '#include "push.h"', "include paths start there"),
    ("analyze/main.c", '#include "analyze/../capture/link.h"', "plainly"),
    ("analyze/main.c", "#include <analyze/push.h>", "belongs in quotes"),
    ("analyze/main.c", "#include HEADER", "hides what is used"),
    ("capture/main.c", "#include <criterion/criterion.h>", "only in tests"),
    ("tests/test_all.c", '#include "test_other.h"', "include paths start there"),
    ("rig/odd/odd.c", '#include "rig/base/err.h"', "belongs to no part"),
    ("analyze/main.c", "\n" * 650, "more than 650 lines"),
    ("capture/series_capture.h", '#include "capture/commands.h"', "a layer above"),
    ("capture/command_run.c", '#include "capture/main.h"', "include paths start there"),
    ("capture/link_serial.c", "int a = printf (text);", "may speak or exit"),
    ("capture/rig_client.h", "FILE *f = stderr; /* exit( */", "stderr: only"),
    ("analyze/push.h", "void f(void) { exit(1); }", "may speak or exit"),
    ("rig/base/err.c", 'void f(void) { puts("/*"); }', "may speak or exit"),
    ("notes.txt", "", "the top level holds nothing but"),
    ("subprojects/wrap.c", "", "the top level holds nothing but"),
]


class MadeUpTree(unittest.TestCase):
    def tree(self, added=None):
        folder = tempfile.TemporaryDirectory()
        self.addCleanup(folder.cleanup)
        root = pathlib.Path(folder.name)
        files = dict(SOUND)
        if added is not None:
            files[added[0]] = files.get(added[0], "") + added[1] + "\n"
        for path, text in files.items():
            (root / path).parent.mkdir(parents=True, exist_ok=True)
            (root / path).write_text(text, encoding="utf-8")
        return arrows.breaches(root)

    def test_a_sound_tree_passes(self):
        self.assertEqual(self.tree(), [])

    def test_each_breach_is_found_once_and_named(self):
        for path, text, words in BREACHES:
            with self.subTest(path=path, text=text.strip(), words=words):
                found = self.tree((path, text))
                self.assertEqual(len(found), 1, found)
                self.assertEqual(found[0][0], path.split("/")[0] if "top level" in words else path)
                self.assertIn(words, found[0][2])


if __name__ == "__main__":
    unittest.main()
