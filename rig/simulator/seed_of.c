#include "rig/simulator/seed_of.h"

#include <stddef.h>

/* The finaliser of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014). */
uint64_t seed_of(uint64_t seed, uint64_t part, uint64_t number)
{
    uint64_t x = seed;
    const uint64_t parts[2] = {part, number};
    for (size_t i = 0; i < 2; i++) {
        x += 0x9E3779B97F4A7C15u * (parts[i] + 1);
        x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9u;
        x = (x ^ (x >> 27)) * 0x94D049BB133111EBu;
        x ^= x >> 31;
    }
    return x;
}
