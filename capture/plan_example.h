/* The mark of lines in a plan whose value is only an example: a comment that begins "# EXAMPLE". Whoever puts
 * their own value there deletes the word, so that no bench ever runs on invented numbers by mistake. A plan
 * that still has one parses, but is not carried out. */
#ifndef CAPTURE_PLAN_EXAMPLE_H
#define CAPTURE_PLAN_EXAMPLE_H

#include "rig/base/err.h"

#include <stddef.h>

#define PLAN_EXAMPLE_WORD "EXAMPLE"
#define PLAN_EXAMPLE_MARK "# " PLAN_EXAMPLE_WORD

#define PLAN_EXAMPLE_LINES_MAX 200
struct plan_example_line {
    size_t number; /* from 1 */
    char text[64]; /* what stands before the mark, blanks at both ends taken off, cut where it is long */
};
struct plan_example {
    size_t count; /* lines with the mark; the first PLAN_EXAMPLE_LINES_MAX of them are in lines */
    struct plan_example_line lines[PLAN_EXAMPLE_LINES_MAX];
};

/* The marked lines of a text. */
void plan_example_find(const char *text, struct plan_example *example);
/* The same of the file at path; errors are those of reading it. */
enum err_code plan_example_read(const char *path, struct plan_example *example, struct err *e);

/* ERR_FILE at the first marked line of the plan at path, for who would carry it out. */
enum err_code plan_example_refuse(const char *path, struct err *e);

#endif
