/* A link to a bench of separate instruments: a thread that runs the translator (pair_rig.h) between a socket
 * pair and the two ports. */
#ifndef CAPTURE_PAIR_LINK_H
#define CAPTURE_PAIR_LINK_H

#include "capture/bench_file.h"
#include "capture/link.h"
#include "datasets/format/run_record.h"

struct pair_link;

/* Take over two open ports whose instruments have been tried (both are closed with the link, and on error).
 * path names the link. bench is copied. */
enum err_code pair_link_open(const char *path, const struct bench_file *bench,
                             const struct run_separate *separate, struct link *force, struct link *feed,
                             struct link **link, struct err *e);

/* What is behind link; NULL when it is no such link. */
const struct pair_link *pair_link_of(const struct link *link);
const struct bench_file *pair_link_bench(const struct pair_link *pair);
const struct run_separate *pair_link_separate(const struct pair_link *pair);

#endif
