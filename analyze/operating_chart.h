/* Operating chart: the load line of a hot end against what a feeder can push, motor and grip. The highest
 * volumetric rate, and what gives way first there. No I/O. */
#ifndef ANALYZE_OPERATING_CHART_H
#define ANALYZE_OPERATING_CHART_H

#include "analyze/analysis.h"

/* For every feeder with a load line of its own (or measured in another series of the session under conditions
 * that agree) and pushes at two speeds or more: append an outcome "operating-chart" to its outcomes. margin:
 * of the load, 0.2 for 20 %. ERR_MEMORY only. */
enum err_code operating_chart_all(struct session *session, double margin, struct err *e);

#endif
