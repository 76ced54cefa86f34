/* Several figures drawn at once, by as many gnuplots. What comes out is the same however many there
 * are: the figures before the first in order that fails, and its error. */
#ifndef ANALYZE_REPORT_FIGURE_POOL_H
#define ANALYZE_REPORT_FIGURE_POOL_H

#include "analyze/report/figure.h"
#include "analyze/report/figure_draw.h"

#include <stdbool.h>
#include <stddef.h>

#define FIGURE_POOL_MAX 64

struct figure_pool {
    const char *folder;
    struct figures *figures;
    size_t places, running;
    size_t figure[FIGURE_POOL_MAX]; /* of those at work: index into figures */
    struct figure_drawer
        drawer[FIGURE_POOL_MAX]; /* those at work, and behind them those that wait for work */
    size_t failed;               /* the first figure that failed; SIZE_MAX: none */
    struct err error;            /* its error */
};

/* at_once: how many gnuplots; 0: one for each core. folder holds NAME.gp and NAME.csv of each figure by the
 * time it is started; it and figures must outlive the pool. */
void figure_pool_init(struct figure_pool *pool, const char *folder, struct figures *figures, int at_once);

/* Start the i-th figure once there is a place. Figures are started in their order. False when one has failed:
 * no more are wanted then. */
bool figure_pool_start(struct figure_pool *pool, size_t i);

/* The i-th figure failed before it could be started. */
void figure_pool_fail(struct figure_pool *pool, size_t i, const struct err *error);

/* Wait until all are drawn. With an error, that of the first figure that failed: figures behind it count as
 * not drawn, and their pictures are removed. */
enum err_code figure_pool_finish(struct figure_pool *pool, struct err *e);

#endif
