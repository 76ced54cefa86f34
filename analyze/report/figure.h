/* The figures of a report. Each is a gnuplot script with its data beside it, so that a reader can redraw or
 * change it: `gnuplot figures/NAME.gp`, or the same from inside figures/, writes NAME.svg beside the script.
 *
 * figure_write makes a script and its data and touches no file; figure_draw runs gnuplot on a script that was
 * written to a folder. A script is a program: only scripts made here are ever run. */
#ifndef ANALYZE_REPORT_FIGURE_H
#define ANALYZE_REPORT_FIGURE_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#define FIGURE_NAME_SIZE 80

enum figure_kind {
    FIGURE_PUSH,
    FIGURE_STALL,
    FIGURE_ONSET,
    FIGURE_TORQUE,
    FIGURE_DIFFERENCE,
    FIGURE_BUDGET,
    FIGURE_OUTCOME,
    FIGURE_PREDICTION
};

struct figure {
    enum figure_kind kind;
    size_t feeder;               /* FIGURE_PUSH, FIGURE_OUTCOME: index into session.feeders */
    size_t outcome, chart;       /* FIGURE_OUTCOME: index into the feeder's outcomes, and into its charts */
    char name[FIGURE_NAME_SIZE]; /* file name without its ending: [a-z0-9-]+ */
    char title[200];             /* foreign text may be inside: escape it */
    char seen[2000];        /* what is to be seen in it, as sentences (figure_seen.h); foreign text too */
    char description[1100]; /* what is drawn and what the marks mean, as a sentence or two */
    char *script, *data;    /* NAME.gp and NAME.csv where they are held in memory; owned */
    size_t script_length, data_length;
    bool drawn; /* NAME.svg is there, whole and checked */
};

struct figures {
    struct figure *figure;
    size_t count;
    const char *folder; /* where they are drawn; of the caller */
    bool linked;        /* a page shows them by links to figures/NAME.svg and does not hold them */
};

/* All figures the session has data for, by kind and name; none is written yet. The caller frees with
 * figures_free.
 */
enum err_code figures_list(const struct session *session, struct figures *figures, struct err *e);
void figures_free(struct figures *figures);

/* Write NAME.gp and NAME.csv of a figure as they come, and make its title and its description. ERR_MEMORY;
 * what goes wrong with the two files is the caller's to find out. */
enum err_code figure_write(const struct session *session, struct figure *figure, FILE *script, FILE *data,
                           struct err *e);
/* Give back a script and data that are held in memory. */
void figure_unmake(struct figure *figure);

/* Run gnuplot on folder/NAME.gp, which exists already, with folder as its working directory, and check
 * folder/NAME.svg. ERR_SYSTEM with gnuplot's own first line when it is missing, fails, hangs, or leaves
 * anything but a whole picture (which is then removed). For several at once see figure_pool.h. */
enum err_code figure_draw(const char *folder, struct figure *figure, struct err *e);
/* Remove a picture, if there is one. */
void figure_undraw(const char *folder, struct figure *figure);

/* Put the drawn picture into a page, with ids made unique by the figure's name; out NULL: only check it.
 * ERR_SYSTEM when it is not there or not whole. */
enum err_code figure_put(const char *folder, const struct figure *figure, FILE *out, struct err *e);

/* Name and version of the program that drew it, as the picture says itself; "" when it does not. Returns
 * buffer. */
char *figure_drawn_by(const char *folder, const struct figure *figure, char *buffer, size_t size);

/* Below: shared by the files that write one kind of figure each. */

/* Okabe and Ito's colours, which stay apart for colour-blind readers, without yellow (too weak on white). */
#define FIGURE_COLOURS 7
extern const char *const FIGURE_COLOUR[FIGURE_COLOURS];
/* gnuplot point type, the second cue beside colour: filled for measured values, open for lower bounds. */
int figure_point_type(size_t feeder, bool filled);
const char *figure_colour(size_t feeder);

/* Head of a script: where it finds its data, the terminal, the output, the title line and the mark for
 * simulated data. */
void figure_begin(FILE *script, const struct session *session, const struct figure *figure, int width,
                  int height);

/* Start the line at the foot of a multiplot that holds the key alone, up to top of the screen's height; each
 * figure_key adds an entry. */
void figure_key_strip(FILE *script, double top);
void figure_key(FILE *script, const char *style, const char *text);

/* Lower and upper end of an axis that holds low to high with a margin, in round numbers. */
void figure_range(double low, double high, bool from_zero, double *axis_low, double *axis_high);

/* Panels of one size side by side, whatever their tic labels: a grid in screen coordinates (0 to 1). */
struct figure_panels {
    size_t columns, rows;
    double left, gap_x, gap_y, top, bottom;
};
/* Margins of the i-th panel, and the label of the upright axis in the first column of each row (gnuplot text,
 * quoted). */
void figure_panel_place(FILE *script, const struct figure_panels *p, size_t i, const char *label);

enum err_code figure_push(const struct session *session, struct figure *figure, FILE *script, FILE *data);
/* Of FIGURE_STALL, or the slip onset of FIGURE_ONSET. */
enum err_code figure_stall(const struct session *session, struct figure *figure, FILE *script, FILE *data);
enum err_code figure_torque(const struct session *session, struct figure *figure, FILE *script, FILE *data);
enum err_code figure_difference(const struct session *session, struct figure *figure, FILE *script,
                                FILE *data);
enum err_code figure_budget(const struct session *session, struct figure *figure, FILE *script, FILE *data);
enum err_code figure_outcome(const struct session *session, struct figure *figure, FILE *script, FILE *data);
enum err_code figure_prediction(const struct session *session, struct figure *figure, FILE *script,
                                FILE *data);

/* Whether the session holds anything for that figure. */
bool figure_push_wanted(const struct session *session, size_t feeder);
bool figure_stall_wanted(const struct session *session, bool onset);
bool figure_torque_wanted(const struct session *session);
bool figure_difference_wanted(const struct session *session);
bool figure_budget_wanted(const struct session *session);
bool figure_prediction_wanted(const struct session *session);
bool figure_outcome_wanted(const struct outcome_chart *chart);

#endif
