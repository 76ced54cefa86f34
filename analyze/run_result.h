/* What a session keeps of the analysis of one run: a struct run_finding packed into just the room that is
 * needed, in the session's store. */
#ifndef ANALYZE_RUN_RESULT_H
#define ANALYZE_RUN_RESULT_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

/* Keep what was found in run, whose record is set already; what it held before is freed. The trace changes
 * hands. picture_columns: the most that its picture may have; 0: no figure shows the run, so neither picture
 * nor events are kept. store: of the session, and must outlive run; not to be used by two threads at once.
 * ERR_MEMORY, and then run holds nothing. */
enum err_code run_result_keep(struct run_result *run, struct run_finding *found, size_t picture_columns,
                              struct run_store *store, struct err *e);

/* Keep why a run was not analysed. ERR_MEMORY. */
enum err_code run_result_refuse(struct run_result *run, const char *why_not, struct err *e);

/* The picture and the events go: no figure shows them after all. */
void run_result_forget_picture(struct run_result *run);

/* Move what it holds by itself to where the memory of the calling thread lies. The threads that analyse runs
 * put it in between of what an analysis takes and gives back; what is left then lies close together, and all
 * that was theirs goes back to the system. Without memory it stays where it is. */
void run_result_settle(struct run_result *run);

/* What it holds by itself; series, feeder and record stay. */
void run_result_free(struct run_result *run);
/* A store with room for that many runs, which is taken before their analysis takes and gives back memory all
 * round it. ERR_MEMORY. One that is all zero takes room as runs come. */
enum err_code run_store_begin(struct run_store *store, size_t runs, struct err *e);
/* No more runs come: what finds equal sentences is given back. */
void run_store_end(struct run_store *store);
/* What all runs kept in that store. */
void run_store_free(struct run_store *store);

/* The i-th sentence, i below count. */
const char *run_text(const struct run_texts *texts, size_t i);

/* The same budget in full. */
struct budget run_budget(const struct run_budget *of_run);

#endif
