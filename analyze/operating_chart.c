#include "analyze/operating_chart.h"

enum err_code operating_chart_all(struct session *session, double margin, struct err *e)
{
    (void)session;
    (void)margin;
    (void)e;
    return ERR_OK;
}
