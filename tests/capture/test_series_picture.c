/* The picture of a series: rows, marks and widths. */
#include "capture/series_picture.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <string.h>

static struct series_picture_run runs[1000];
static size_t count;
static char lines[SERIES_PICTURE_LINES_MAX][SERIES_PICTURE_LINE_BYTES];
static char all[SERIES_PICTURE_LINES_MAX * SERIES_PICTURE_LINE_BYTES];

/* blocks of mountings of pushes each; done of them are done and the next one is next. */
static void make(int blocks, int mountings, int pushes, size_t done)
{
    count = 0;
    for (int block = 1; block <= blocks; block++) {
        for (int i = 0; i < mountings * pushes; i++, count++)
            runs[count] = (struct series_picture_run){
                block, i % pushes == 0, count < done ? SERIES_PICTURE_DONE : SERIES_PICTURE_TO_COME};
    }
    if (done < count)
        runs[done].state = SERIES_PICTURE_NEXT;
}

static int width_of(const char *line)
{
    int n = 0;
    for (; *line != 0; line++)
        n += ((unsigned char)*line & 0xC0) != 0x80;
    return n;
}

static size_t draw(int columns, bool utf8)
{
    size_t n = series_picture_draw(runs, count, columns, utf8, lines);
    all[0] = 0;
    for (size_t i = 0; i < n; i++) {
        cr_expect_leq(width_of(lines[i]), columns, "line %zu: %s", i, lines[i]);
        strcat(strcat(all, lines[i]), "\n");
    }
    return n;
}

Test(series_picture, a_row_for_each_block_and_a_space_for_each_mounting)
{
    make(3, 3, 5, 22);
    runs[7].state = SERIES_PICTURE_WRONG;
    runs[19].state = SERIES_PICTURE_AGAIN;
    draw(79, false);
    cr_expect_str_eq(all, "block 1  ##### ##?## #####  15 of 15\n"
                          "block 2  ####r ##>.. .....  6 of 15\n"
                          "block 3  ..... ..... .....  0 of 15\n"
                          "# done   ? looked wrong   r to be repeated   > next   . to come\n");
    draw(79, true);
    cr_expect_not_null(strstr(all, "block 2  ■■■■○ ■■▸·· ·····  6 of 15\n"), "%s", all);
    cr_expect_not_null(strstr(all, "■ done   ▲ looked wrong"), "%s", all);
}

Test(series_picture, a_legend_of_what_is_there_alone)
{
    make(1, 2, 2, 4);
    draw(79, false);
    cr_expect_str_eq(all, "block 1  ## ##  4 of 4\n# done\n");
}

Test(series_picture, long_blocks_have_marks_for_several_runs)
{
    make(2, 4, 50, 127);
    draw(59, false);
    /* 8 characters of name, a digit, 13 of count: 38 are left for 200 runs. */
    cr_expect_str_eq(all, "block 1  ######## ######## ###>.... ........  127 of 200\n"
                          "block 2  ........ ........ ........ ........  0 of 200\n"
                          "a mark for 7 runs   # done   > next   . to come\n");
    runs[3].state = SERIES_PICTURE_AGAIN;
    runs[9].state = SERIES_PICTURE_WRONG;
    runs[121].state = SERIES_PICTURE_AGAIN; /* in one mark with the next one */
    draw(59, false);
    cr_expect_not_null(strstr(all, "block 1  r?###### ######## ###>.... "), "what is most pressing: %s", all);
}

Test(series_picture, many_blocks_are_summed_up_around_the_next_run)
{
    make(100, 1, 2, 101);
    runs[0].state = SERIES_PICTURE_WRONG;
    cr_expect_eq(draw(40, false), 10 + 3);
    cr_expect_eq(strncmp(all, "blocks 1 to 45  90 of 90 done\nblock  46  ##  2 of 2\n", 52), 0, "%s", all);
    cr_expect_not_null(strstr(all, "block  51  #>  1 of 2\n"), "%s", all);
    cr_expect_not_null(strstr(all, "block  55  ..  0 of 2\nblocks 56 to 100  0 of 90 done\n"), "%s", all);
    make(100, 1, 2, 200);
    draw(40, false);
    cr_expect_not_null(strstr(all, "blocks 1 to 90  180 of 180 done\n"), "%s", all);
    make(11, 1, 2, 0);
    draw(40, false);
    cr_expect_not_null(strstr(all, "block 11  0 of 2 done\n"), "one block has no row: %s", all);
}

Test(series_picture, no_width_and_no_plan_breaks_it)
{
    for (int columns = 1; columns < 200; columns += 7) {
        for (int pushes = 1; pushes < 90; pushes = pushes * 3 + 1) {
            for (int mountings = 1; mountings <= 12; mountings += 11) {
                make(1000 / (pushes * mountings) < 200 ? 1000 / (pushes * mountings) : 200, mountings, pushes,
                     5);
                size_t n = series_picture_draw(runs, count, columns, columns % 2 == 0, lines);
                cr_expect(count == 0 || (n >= 2 && n <= 13), "%zu lines", n);
                for (size_t i = 0; i < n; i++)
                    cr_expect_leq(width_of(lines[i]), columns < 20 ? 20 : columns);
            }
        }
    }
    cr_expect_eq(series_picture_draw(runs, 0, 79, false, lines), 0);
}
