/* A live window of the force over the last minute: gnuplot behind a pipe. Its commands are fixed texts here;
 * all that is filled in is numbers that we print ourselves, so nothing that a rig or a file says gets there.
 */
#ifndef CAPTURE_WATCH_PLOT_H
#define CAPTURE_WATCH_PLOT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define WATCH_PLOT_POINTS 600

struct watch_plot;

/* ERR_SYSTEM: no display, no gnuplot on the path, or one without a terminal type that opens windows. */
enum err_code watch_plot_open(bool in_newtons, struct watch_plot **plot, struct err *e);
void watch_plot_close(struct watch_plot *p); /* the window closes too; NULL is fine */

/* Draw count forces, oldest first, that end now and lie step_s apart; NAN where there is none. Left out while
 * gnuplot is busy with the last ones. ERR_SYSTEM when it has ended, or found no display. */
enum err_code watch_plot_draw(struct watch_plot *p, const double *forces, size_t count, double step_s,
                              struct err *e);

#endif
