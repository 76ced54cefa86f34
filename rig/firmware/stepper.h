/* Motion: trapezoid ramps, planned once a tick, and steps, each at its own time of the board's counter.
 *
 * In each tick the speed goes linearly from one value to the next, so that positions at ticks lie on the
 * trapezoid itself; within a tick the steps are evenly spaced. A step goes out where the position passes the
 * middle between two microsteps. Positions are in microsteps. */
#ifndef RIG_FIRMWARE_STEPPER_H
#define RIG_FIRMWARE_STEPPER_H

#include <stdbool.h>
#include <stdint.h>

/* What stepper_move can carry out. */
#define STEPPER_SPEED_MIN_MILLISTEPS_S 100
#define STEPPER_ACCELERATION_MAX       10000000u /* microsteps/s2 */
#define STEPPER_POSITION_MAX           2000000000

/* Coils on, position 0, standing; beyond travel_limit from here, either way, it cuts by itself. */
void stepper_arm(uint32_t travel_limit);

/* The arguments are those of the protocol's MOVE, in the ranges above. Goes on from where the feed is now;
 * false when the travel is too little to brake in, or ends at a position that does not exist. */
bool stepper_move(int32_t speed_millisteps_s, uint32_t acceleration_steps_s2, uint32_t travel_steps);
/* Ramp down to stand, with the acceleration of the last move. */
void stepper_stop(void);
/* Coils off at once. Also from interrupts. */
void stepper_cut(void);

bool stepper_moving(void);
/* True once when a travel is complete or a stop has ended. */
bool stepper_take_done(void);
/* True once when it has cut because of the travel limit. */
bool stepper_take_beyond(void);
int32_t stepper_position(void);

/* Called by the board from its interrupts. on_step is called behind each step's edge, with further interrupts
 * held off; it tells whether another one follows, and when. on_tick is called once a tick with the counter's
 * value at its start, with interrupts allowed. */
bool stepper_on_step(uint16_t *next);
void stepper_on_tick(uint16_t now);

#endif
