/* Independent seeds for the parts of one rig, all from its one seed. */
#ifndef RIG_SIMULATOR_SEED_OF_H
#define RIG_SIMULATOR_SEED_OF_H

#include <stdint.h>

/* Feeders are the parts from 0 on; what is no feeder takes a number that no feeder has. */
#define SEED_PART_LINE (UINT64_C(1) << 32)

/* Seed of the number-th thing of a part: a mounting of a feeder, a frame on the line. */
uint64_t seed_of(uint64_t seed, uint64_t part, uint64_t number);

#endif
