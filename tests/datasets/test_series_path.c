#include "datasets/format/series_path.h"

#include <criterion/criterion.h>
#include <string.h>

Test(series_path, paths_are_what_a_series_has)
{
    static const struct {
        const char *path, *fault; /* NULL: good */
    } rows[] = {
        {"runs/0001.csv", NULL}, {"a..b/...c", NULL},     {"", "is empty"},        {"/x", "is absolute"},
        {"..", "leads out"},     {"a/../b", "leads out"}, {"a/..", "leads out"},   {"./a", "empty part"},
        {"a//b", "empty part"},  {"a/", "empty part"},    {"a\\b", "backslash"},   {"c:x", "colon"},
        {"a\nb", "control"},     {"a\x7F", "control"},    {"\xC2\x9B", "control"}, {"\xC2\xA0", NULL},
    };
    char path[300];
    const char *ending = "";
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const char *fault = series_path_fault(rows[i].path);
        if (rows[i].fault == NULL)
            cr_expect_null(fault, "'%s': %s", rows[i].path, fault);
        else
            cr_expect(fault != NULL && strstr(fault, rows[i].fault) != NULL, "'%s': %s", rows[i].path, fault);
    }
    memset(path, 'a', 241);
    path[241] = 0;
    cr_expect_str_eq(series_path_fault(path), "is too long");
    path[240] = 0;
    cr_expect_null(series_path_fault(path));
    cr_expect_eq(series_path_run_number("runs/0417.csv", "csv"), 417);
    cr_expect_eq(series_path_run_number("runs/0417.csv", "json"), 0);
    cr_expect_eq(series_path_run_number("runs/0417.csv.part", "csv"), 0);
    cr_expect_eq(series_path_run_number("runs/417.csv", "csv"), 0);
    cr_expect_eq(series_path_run_number("run/0417.csv", "csv"), 0);
    cr_expect_eq(series_path_run_number("runs/04", "csv"), 0);
    cr_expect_eq(series_path_run_file("runs/0417.json.part", &ending), 417);
    cr_expect_str_eq(ending, "json.part");
    cr_expect_eq(series_path_run_file("runs/0417", &ending), 0);
    series_path_of_run(417, "json.part", path);
    cr_expect_str_eq(path, "runs/0417.json.part");
}
