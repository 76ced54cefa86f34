/* The two instruments of a bench before anything moves: whether each is what the bench file says, and how
 * long their words take. */
#ifndef CAPTURE_PAIR_START_H
#define CAPTURE_PAIR_START_H

#include "capture/bench_file.h"
#include "capture/link.h"
#include "datasets/format/run_record.h"

#include <stdint.h>

/* Listen to the gauge (asking it, if it must be asked), then send the start-up words to the controller and
 * measure how long it takes to answer. The times of readings give force_interval_s and its scatter; a command
 * is taken to begin somewhere between its writing and the answer to it, so the feed's latency is half of that
 * round trip, with the standard uncertainty of a rectangular distribution over it (JCGM 100:2008, 4.3.7) and
 * the scatter of round trips. The force's latency is the user's estimate. Takes one to five seconds. path: of
 * the bench file, for messages.
 *
 * ERR_DEVICE, ERR_BYTES: an instrument is silent, refuses, or is not what it should be (the two are swapped,
 * another unit, another decimal sign, another speed); ERR_FILE: it is, but not at the rate that is stated. */
enum err_code pair_start(const char *path, const struct bench_file *bench, struct link *force,
                         struct link *feed, struct run_separate *separate, struct err *e);

#endif
