#include "analyze/report/report_md.h"

#include "analyze/report/md_page.h"
#include "analyze/report/report_html.h"

#include <sys/types.h>

/* The page is never held as a whole: its bytes go into the reader as they are written. */
static ssize_t take(void *page, const char *bytes, size_t length)
{
    return md_page_put(page, bytes, length) ? (ssize_t)length : 0;
}

enum err_code report_md_write(const struct session *session, const struct figures *figures, FILE *out,
                              struct err *e)
{
    static const cookie_io_functions_t into_page = {.write = take};
    struct figures linked = {.linked = true};
    struct md_page *page =
        md_page_new("runs", "One row for each run, with its settings, results and flags, is in "
                            "[results.csv](results.csv).");
    FILE *through = page != NULL ? fopencookie(page, "w", into_page) : NULL;
    enum err_code code;
    bool lost;
    if (through == NULL) {
        md_page_free(page);
        return err_set(e, ERR_MEMORY, "out of memory for the report");
    }
    if (figures != NULL) {
        linked.folder = figures->folder;
        linked.figure = figures->figure;
        linked.count = figures->count;
    }
    code = report_html_write(session, figures != NULL ? &linked : NULL, through, e);
    lost = ferror(through) != 0;
    lost |= fclose(through) != 0;
    if (lost)
        code = err_set(e, ERR_MEMORY, "out of memory for the report");
    if (code == ERR_OK)
        code = md_page_end(page, out, e);
    if (code == ERR_OK)
        fputs("This page is written with `--format md`. What the page of `--format html` folds away and its "
              "table "
              "of every run are in [results.json](results.json) and [results.csv](results.csv).\n",
              out);
    md_page_free(page);
    return code;
}
