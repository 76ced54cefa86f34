/* Suite md_table: rows as a Markdown table. What a page makes of its tables is in the suite md_page. */
#include "analyze/report/md_table.h"

#include <criterion/criterion.h>
#include <stdlib.h>

Test(md_table, cells_that_span_leave_empty_ones)
{
    struct md_table t;
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    cr_assert_not_null(out);
    md_table_begin(&t, out);
    md_table_begin_row(&t, true, false);
    for (int i = 0; i < 11; i++)
        md_table_add(&t, "h", 1, true, i == 2);
    md_table_end_row(&t);
    md_table_begin_row(&t, false, false);
    md_table_add(&t, "a", 1, true, false);
    md_table_add(&t, "rest", 10, false, false);
    md_table_end_row(&t);
    cr_expect(md_table_end(&t));
    fclose(out);
    cr_expect_str_eq(text, "| h | h | h | h | h | h | h | h | h | h | h |\n"
                           "| --- | --- | ---: | --- | --- | --- | --- | --- | --- | --- | --- |\n"
                           "| a | rest | | | | | | | | | |\n\n");
    free(text);
}
