/* Several gnuplots at once: what comes out does not depend on how many. */
#include "analyze/report/figure_pool.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
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

/* The picture of a script, drawn by the drawer of a pool for one; NULL where there is none. */
static char *picture_of(struct figure_pool *pool, const char *name, const char *script)
{
    char file[60];
    struct figure *f = &pool->figures->figure[0];
    *f = (struct figure){.title = "t", .description = "d"};
    snprintf(f->name, sizeof f->name, "%s", name);
    snprintf(file, sizeof file, "%s.gp", name);
    scratch_write(file, script);
    pool->failed = SIZE_MAX;
    cr_assert(figure_pool_start(pool, 0));
    while (pool->running > 0) {
        enum figure_draw_state state = figure_draw_listen(&pool->drawer[0]);
        if (state == FIGURE_DRAW_GOES_ON)
            continue;
        figure_draw_end(pool->folder, f, &pool->drawer[0], state, NULL);
        pool->running--;
    }
    snprintf(file, sizeof file, "%s.svg", name);
    return scratch_read(file);
}

/* Each sets something that would change the picture behind it; the last two fail half way. */
static const char *const LEAVES[] = {
    "set datafile columnheaders\nset datafile separator ';'\nset datafile missing '2'\nset datafile "
    "commentschars '3'\n",
    "two = 3\nf(x) = 7\nset format '%g N'\nset dummy t\nset samples 2\nset decimalsign ','\n",
    "set print 'elsewhere.txt'\nset xrange [0:2]\nset key left\nset title 'before'\nset label 'before'\n",
    "set terminal svg size 200,200 font 'serif,30'\nset output 'before.svg'\nplot x linecolor rgb "
    "'#123456'\n",
    "set terminal svg\nset output 'before.svg'\nset multiplot\nplot 2*x\nset lmargin at screen 0.4\n",
    "set linetype 1 linecolor rgb '#00ff00'\nset style data boxes\nset border 0\nset logscale y\nset "
    "arrow from 1,1 to 2,2\n",
    "set terminal svg\nset output 'before.svg'\nset multiplot\nplot x\nno such command\n",
    "set xrange [5:6]\nplot 'missing.csv'\n",
};

Test(figure_pool, what_a_script_leaves_behind_does_not_change_the_next_picture)
{
    static const char script[] =
        "set terminal svg\nset output 'after.svg'\nif (!exists('two')) { two = 2 }\nset datafile separator "
        "comma\nplot 'after.csv' using 1:2 with linespoints, two*x, 1.5*x\n";
    char folder[600], *alone, *after;
    struct figure f;
    struct figures figures = {.figure = &f, .count = 1};
    struct figure_pool pool;
    snprintf(folder, sizeof folder, "%s", scratch_path("."));
    scratch_write("after.csv", "1,2\n2,3\n3,5\n");
    figure_pool_init(&pool, folder, &figures, 1);
    alone = picture_of(&pool, "after", script);
    cr_assert_not_null(alone);
    for (size_t i = 0; i < sizeof LEAVES / sizeof LEAVES[0]; i++) {
        pid_t pid = pool.drawer[0].pid;
        free(picture_of(&pool, "before", LEAVES[i]));
        after = picture_of(&pool, "after", script);
        cr_assert_not_null(after, "none behind script %zu", i);
        cr_expect_str_eq(after, alone, "another one behind script %zu", i);
        cr_expect_eq(pool.drawer[0].pid, pid, "gnuplot was started anew behind script %zu", i);
        free(after);
    }
    free(alone);
    cr_expect_eq(figure_pool_finish(&pool, NULL), ERR_OK);
}

/* What does not come to its end is started anew for the next one. */
Test(figure_pool, gnuplot_that_has_ended_is_a_failure_and_the_next_figure_gets_another)
{
    char folder[600], *picture;
    struct figure f;
    struct figures figures = {.figure = &f, .count = 1};
    struct figure_pool pool;
    snprintf(folder, sizeof folder, "%s", scratch_path("."));
    figure_pool_init(&pool, folder, &figures, 1);
    picture = picture_of(&pool, "ends",
                         "set terminal svg\nset output 'ends.svg'\nplot x\nunset output\nexit status 0\n");
    cr_expect_null(picture, "a script that did not come to its end passed");
    cr_expect_not(f.drawn);
    picture = picture_of(&pool, "next", "set terminal svg\nset output 'next.svg'\nplot x\n");
    cr_expect_not_null(picture);
    cr_expect(f.drawn);
    free(picture);
    cr_expect_eq(figure_pool_finish(&pool, NULL), ERR_OK);
}
