/* Hands at a simulated rig: what a person does there, as lines of text, so that a script can be the person.
 * Bytes in, answers out; no I/O of its own. Each line gets one line of answer:
 *
 *     hang NEWTONS   hang a dead weight of that force in place of what hung there     hung NEWTONS
 *     measure        what a perfect caliper reads: mm of filament since last measured  the number
 *     end blocked    fit the blocked end                                              set end blocked
 *     end free       leave the end of the filament free                               set end free
 *     end brake N    fit the brake, or set it, to N newtons                            set end brake N
 *     end hot C      fit the hot end, or set it, to C degrees Celsius                  set end hot C
 *     tube DEG       fit a guide tube bent by DEG degrees in all; 0 takes it away      set tube DEG
 *     clean          clean the drive gear                                              set clean
 *
 * and anything else "refused: " and why. What is set holds from the next arming on, whichever feeder is
 * mounted then. */
#ifndef RIG_SIMULATOR_HANDS_H
#define RIG_SIMULATOR_HANDS_H

#include "rig/simulator/rig_state.h"

#include <stdbool.h>
#include <stddef.h>

#define HANDS_LINE_MAX   128 /* longer lines are refused */
#define HANDS_ANSWER_MAX 320
#define HANDS_HANG_MAX_N 100000.0

struct hands {
    char line[HANDS_LINE_MAX + 1];
    size_t used; /* past HANDS_LINE_MAX: the line is too long */
};

/* Take bytes up to the end of the first line among them and carry that line out on rig. Returns how many were
 * taken; *answered: whether there was a line, and answer (HANDS_ANSWER_MAX bytes, no line break) is filled.
 * Blank lines and what follows a '#' are passed over. */
size_t hands_take(struct hands *h, struct rig_state *rig, const char *bytes, size_t length, char *answer,
                  bool *answered);

#endif
