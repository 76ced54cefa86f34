/* A gnuplot that draws one figure after the other: started without a shell, in a working directory of its
 * own; told what to draw; listened to; ended. Who waits for several at once is figure_pool. */
#ifndef ANALYZE_REPORT_FIGURE_DRAW_H
#define ANALYZE_REPORT_FIGURE_DRAW_H

#include "analyze/report/figure.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#define FIGURE_DRAW_COMPLAINT_SIZE 400

/* A gnuplot; none yet when it is zeroed. */
struct figure_drawer {
    pid_t pid;      /* 0: none */
    int commands;   /* our end of its standard input */
    int complaints; /* read end of its standard error */
    /* Of the figure that it draws: */
    bool good; /* the script has come to its end */
    char complaint[FIGURE_DRAW_COMPLAINT_SIZE];
    size_t used;
    int64_t patience_until_ms; /* on the monotonic clock: later than that it counts as hanging */
};

/* How a drawing stands. */
enum figure_draw_state {
    FIGURE_DRAW_GOES_ON,
    FIGURE_DRAW_DONE,   /* the script has come to its end, and gnuplot waits for the next one */
    FIGURE_DRAW_FAILED, /* at an error in the script; gnuplot waits for the next one */
    FIGURE_DRAW_GONE,   /* gnuplot has ended */
    FIGURE_DRAW_HANGS,  /* patience is at its end */
};

/* Remove the picture of an earlier report and have folder/NAME.gp drawn, which exists already; gnuplot is
 * started where there is none yet. The same folder for all figures of a drawer. What a script leaves behind
 * does not change the next picture. ERR_SYSTEM when gnuplot is not to be had; nothing is drawn then. */
enum err_code figure_draw_begin(const char *folder, const struct figure *figure, struct figure_drawer *d,
                                struct err *e);

/* Take what it has to say now that its standard error can be read. */
enum figure_draw_state figure_draw_listen(struct figure_drawer *d);

/* Milliseconds of patience that are left, 0 when there is none. */
int figure_draw_patience_ms(const struct figure_drawer *d);

/* Look at the picture of a drawing that does not go on any more; figure->drawn says whether it is there. The
 * drawer can take the next one. Errors as figure_draw. */
enum err_code figure_draw_end(const char *folder, struct figure *figure, struct figure_drawer *d,
                              enum figure_draw_state state, struct err *e);

/* Stop it and remove what it drew: nobody wants it any more. */
void figure_draw_drop(const char *folder, const struct figure *figure, struct figure_drawer *d);

/* No more figures: end gnuplot if there is one. It draws nothing at the time. */
void figure_drawer_end(struct figure_drawer *d);

#endif
