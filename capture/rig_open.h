/* The way to a rig, whatever it is: a port that speaks the rig protocol, or a bench of separate instruments
 * that a file describes. */
#ifndef CAPTURE_RIG_OPEN_H
#define CAPTURE_RIG_OPEN_H

#include "capture/link.h"
#include "datasets/format/run_record.h"

#include <stdbool.h>

/* path is a regular file: read it as a bench file (bench_file.h), open its two ports, try both instruments
 * and have them translated into the rig protocol in a thread of its own; baud is that of the file then. Else
 * open path as a port. Either way the link is closed with link_close, which leaves the feed of a bench
 * stopped. Errors are those of link_open, bench_file_read and pair_start. */
enum err_code rig_open(const char *path, int baud, enum link_way way, struct link **link, struct err *e);

/* What is known of the times of separate instruments; NULL when link leads to one rig. Lives as long as the
 * link. */
const struct run_separate *rig_separate(const struct link *link);

/* Whether the bench file says that its instruments are simulated. */
bool rig_is_simulated_bench(const struct link *link);

#endif
