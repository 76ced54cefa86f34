/* One run of gnuplot: started without a shell, in a working directory of its own, with nothing on its
 * standard input; listened to; ended. Who waits for several at once is figure_pool. */
#ifndef ANALYZE_REPORT_FIGURE_DRAW_H
#define ANALYZE_REPORT_FIGURE_DRAW_H

#include "analyze/report/figure.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#define FIGURE_DRAW_COMPLAINT_SIZE 400

/* A gnuplot that is at work. */
struct figure_drawing {
    pid_t pid;
    int complaints; /* read end of its standard error; -1 once it was closed */
    char complaint[FIGURE_DRAW_COMPLAINT_SIZE];
    size_t used;
    int64_t patience_until_ms; /* on the monotonic clock: later than that it counts as hanging */
};

/* Remove the picture of an earlier report and start gnuplot on folder/NAME.gp, which exists already.
 * ERR_SYSTEM when it is not to be had; nothing is left to end then. */
enum err_code figure_draw_begin(const char *folder, const struct figure *figure, struct figure_drawing *d,
                                struct err *e);

/* Take what it has to say now that its standard error can be read. False: it said nothing and never will
 * again, so that it can be ended. */
bool figure_draw_listen(struct figure_drawing *d);

/* Milliseconds of patience that are left, 0 when there is none. */
int figure_draw_patience_ms(const struct figure_drawing *d);

/* Wait for its end and look at the picture; figure->drawn says whether it is there. hangs: stop it first,
 * which is an error. Errors as figure_draw. */
enum err_code figure_draw_end(const char *folder, struct figure *figure, struct figure_drawing *d, bool hangs,
                              struct err *e);

/* Stop it and remove what it drew: nobody wants it any more. */
void figure_draw_drop(const char *folder, const struct figure *figure, struct figure_drawing *d);

#endif
