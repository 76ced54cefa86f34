/* A simulated motion controller that takes lines of G-code, with a small queue of motions. Pure: lines and
 * time in, answers out through a callback; times in seconds of any clock that never goes back.
 *
 * It knows G0, G1, G4 (P in seconds), G20, G21, G90, G91, F and the axes A to E, U to Z as one (whichever the
 * line names: there is one motor); M0 stops at once and throws away what is queued; M18 takes the current off
 * the motor once all before it is done. Each line is answered "ok" when it has been taken (a motion: when it
 * has a place in the queue; a dwell and M18: when all before is done) or "error: " and why. An empty line is
 * answered too. A motion goes at its feed rate from the first to the last moment: there are no ramps. */
#ifndef RIG_SIMULATOR_PAIR_CONTROLLER_H
#define RIG_SIMULATOR_PAIR_CONTROLLER_H

#include <stdbool.h>
#include <stddef.h>

#define PAIR_BLOCKS_MAX  16
#define PAIR_LINE_MAX    96
#define PAIR_WAITING_MAX 16

typedef void pair_answer(void *context, const char *answer);

struct pair_controller {
    int blocks; /* places in the queue */
    pair_answer *answer;
    void *context;
    double slowness; /* by which motions take longer than they should: 1 */
    bool refuses;    /* motion is answered by an error */

    bool relative, inches;
    double rate_mm_min;
    bool motor_on;
    double planned_mm; /* position behind all that is queued */
    struct {
        double way_mm, duration_s;
    } queue[PAIR_BLOCKS_MAX];
    int count;
    double from_mm; /* position when the first of the queue began */
    double begun_s; /* and when that was */
    double now_s;
    bool dwelling;
    double dwell_end_s;
    bool motions_begun;                                /* ever */
    char waiting[PAIR_WAITING_MAX][PAIR_LINE_MAX + 1]; /* lines that have not been taken yet */
    int waiting_count;
    bool overflowed; /* a line came when there was no room for it */
};

void pair_controller_begin(struct pair_controller *c, int blocks, pair_answer *answer, void *context);
void pair_controller_line(struct pair_controller *c, double now_s, const char *line);
void pair_controller_advance(struct pair_controller *c, double now_s);
double pair_controller_position_mm(const struct pair_controller *c);
bool pair_controller_moving(const struct pair_controller *c);

#endif
