/* Charts of the preload sweep: stall force and slip onset against preload. No I/O. */
#ifndef ANALYZE_PRELOAD_SWEEP_CHART_H
#define ANALYZE_PRELOAD_SWEEP_CHART_H

#include "analyze/preload_sweep_groups.h"

/* ERR_MEMORY when there is none left. */
enum err_code preload_sweep_chart_draw(const struct preload_groups *groups, struct outcome *outcome,
                                       struct err *e);

#endif
