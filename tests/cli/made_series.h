/* For tests of nipbench-analyze as a program: a series of pushes that climb a spring and fall back by one
 * electrical cycle of the motor each time it loses step, and the program run by its path. */
#ifndef TESTS_CLI_MADE_SERIES_H
#define TESTS_CLI_MADE_SERIES_H

#include "datasets/format/calibration.h"

#define MADE_SERIES_GAIN 1000.0 /* counts for each newton */

/* Two gears, four blocks, eight pushes at 4.75 mm/s; gear-8 stalls near 87.4 N, gear-12 near 58.9 N. */
extern const char MADE_SERIES_PLAN[];
/* The calibration that the series holds. */
struct calibration made_series_calibration(void);
/* A finished series in the scratch folder (tests/datasets/scratch.h). text: its plan. */
void made_series(const char *folder, const char *text);

/* What the program said, on standard output and standard error, when it ran last. */
extern char *said, *complained;
/* Run the program in the scratch folder with these words (shell words). Returns the exit status. */
int run(const char *format, ...) __attribute__((format(printf, 1, 2)));
/* Free what it said. */
void run_end(void);

#endif
