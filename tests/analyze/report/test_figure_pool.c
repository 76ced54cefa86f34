/* Several gnuplots at once: what comes out does not depend on how many. */
#include "analyze/report/figure_pool.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define FIGURES 5

TestSuite(figure_pool, .init = scratch_begin, .fini = scratch_end);

/* In order: drawn, drawn late, fails late, fails at once, drawn. */
static const char *const BODY[FIGURES] = {"", "pause 0.2\n", "pause 0.4\nno such command\n", "nonsense\n",
                                          ""};

Test(figure_pool, first_figure_in_order_that_fails_is_told_whatever_the_number)
{
    char folder[600], name[40], script[300];
    snprintf(folder, sizeof folder, "%s", scratch_path("."));
    for (int at_once = 1; at_once <= FIGURES; at_once += 2) {
        struct figure f[FIGURES] = {{.title = "t", .description = "d"}};
        struct figures figures = {.figure = f, .count = FIGURES};
        struct figure_pool pool;
        struct err e = {0};
        figure_pool_init(&pool, folder, &figures, at_once);
        for (size_t i = 0; i < FIGURES; i++) {
            snprintf(f[i].name, sizeof f[i].name, "figure-%zu", i);
            snprintf(name, sizeof name, "figure-%zu.gp", i);
            snprintf(script, sizeof script, "%sset terminal svg\nset output 'figure-%zu.svg'\nplot x\n",
                     BODY[i], i);
            scratch_write(name, script);
            if (!figure_pool_start(&pool, i))
                break;
        }
        cr_expect_eq(figure_pool_finish(&pool, &e), ERR_SYSTEM);
        cr_expect_str_eq(e.file, "figure-2.gp", "%d at once: %s: %s", at_once, e.file, e.text);
        cr_expect_eq(pool.failed, 2);
        for (size_t i = 0; i < FIGURES; i++) {
            snprintf(name, sizeof name, "figure-%zu.svg", i);
            cr_expect_eq(access(scratch_path(name), F_OK) == 0, i < 2, "%d at once, figure %zu", at_once, i);
            cr_expect_eq(f[i].drawn, i < 2, "%d at once, figure %zu", at_once, i);
        }
    }
}
