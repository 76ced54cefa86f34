/* The last word to a rig: when this program breaks (a bad address, a failed assertion), the rig is told to
 * cut its motor before the system takes the program away. Without it the rig's watchdog does the same, half a
 * second later. Only a kill that cannot be caught leaves it to the watchdog alone. */
#ifndef CAPTURE_LAST_CUT_H
#define CAPTURE_LAST_CUT_H

#include "capture/link.h"

/* From now on for the rig at link, in place of any before; NULL: for none. Not for several threads at a time.
 */
void last_cut_for(const struct link *link);

#endif
