#include "rig/firmware/stepper.h"

#include "rig/firmware/board.h"

/* Speeds and ways of one tick are fractions of 2^27: up to 32 microsteps a tick in 32 bits. */
#define ONE        134217728u
#define HALF       (ONE / 2)
#define ONE_F      134217728.0f
#define TICK_S     ((float)BOARD_TICK_CYCLES / (float)BOARD_TIMER_HZ)
#define CYCLE_BITS 65536.0f /* times of steps are cycles with 16 bits of fraction */
/* From a change of direction, which comes with the step before, to the first step: 20 us. */
#define DIRECTION_SETUP_CYCLES ((int16_t)(BOARD_TIMER_HZ / 50000u))

_Static_assert(BOARD_STEPS_S_MAX *(uint64_t)BOARD_TICK_CYCLES < 31 * (uint64_t)BOARD_TIMER_HZ,
               "speed does not fit in 32 bits");

enum mode {
    STANDING,
    MOVING,
    STOPPING,
    ENDING /* all is planned; the last steps are still to go out */
};

/* Steps of one tick. */
struct segment {
    uint32_t first;    /* time of the first step, in cycles; the upper 16 bits are the counter's value */
    uint32_t interval; /* to the next */
    int8_t direction;
    uint8_t count; /* 0: none */
};

/* What the step interrupt works on. */
static struct segment going; /* first is the time of the step that is due */
static volatile struct segment waiting;
static volatile bool stepping;
static volatile int32_t position;
static int32_t travel_limit;
static int32_t forbidden; /* the first position beyond the limit in the direction of travel */
static volatile bool beyond;
static volatile bool enabled; /* coils on */

/* What is planned. Only stepper_on_tick changes it while the mode is MOVING or STOPPING. */
static volatile enum mode mode;
static int32_t planned; /* position when all that is planned has been stepped */
static uint32_t phase;  /* where the feed is on the way to the next step, of ONE; HALF when on a microstep */
static uint32_t speed;  /* a tick */
static int8_t direction = 1;

/* What is wanted. */
static uint32_t wanted_speed;
static int8_t wanted_direction;
static uint32_t acceleration; /* a tick and tick */
static bool bounded;
static int32_t end;

/* ---- steps ---- */

/* With interrupts held off. */
static bool load(void)
{
    if (waiting.count == 0)
        return false;
    const uint32_t last = going.first;
    going.first = waiting.first;
    going.interval = waiting.interval;
    going.count = waiting.count;
    if (going.direction != waiting.direction) {
        going.direction = waiting.direction;
        board_direction(going.direction > 0);
        /* The last step may be long ago; then this delays the turn by no more than the same time. */
        const int16_t since = (int16_t)((going.first >> 16) - (last >> 16));
        if (since >= 0 && since < DIRECTION_SETUP_CYCLES)
            going.first += (uint32_t)(DIRECTION_SETUP_CYCLES - since) << 16;
    }
    forbidden = going.direction > 0 ? travel_limit + 1 : -travel_limit - 1;
    waiting.count = 0;
    return true;
}

/* The feed stands where it is, and all that was planned is forgotten. With interrupts held off. */
static void stand(void)
{
    waiting.count = 0;
    stepping = false;
    mode = STANDING;
    planned = position;
    phase = HALF;
    speed = 0;
}

bool stepper_on_step(uint16_t *next)
{
    position += going.direction;
    if (position == forbidden) {
        board_coils(false);
        enabled = false;
        beyond = true;
        stand();
        return false;
    }
    if (--going.count > 0) {
        going.first += going.interval;
    } else if (!load()) {
        stepping = false;
        return false;
    }
    *next = (uint16_t)(going.first >> 16);
    return true;
}

/* ---- plan ---- */

static uint32_t approach(uint32_t from, uint32_t to)
{
    if (from < to)
        return to - from > acceleration ? from + acceleration : to;
    return from - to > acceleration ? from - acceleration : to;
}

/* Way that is left to the end, as a fraction of ONE. */
static float left_f(void)
{
    const int32_t steps = direction > 0 ? end - planned : planned - end;
    return (float)steps * ONE_F + ((float)HALF - (float)phase);
}

/* The greatest speed at the end of this tick from which the ramp down still ends in the right place. With a =
 * acceleration, v = speed now and s = way left, v1 must leave v1^2 / (2 a) behind a tick of (v + v1) / 2, so
 * v1 = sqrt(a^2 / 4 + 2 a s - a v) - a / 2. Negative: the end lies in this tick. */
static float speed_to_end_f(void)
{
    const float a = (float)acceleration;
    const float under = a * (a / 4 + 2 * left_f() - (float)speed);
    return under <= 0 ? -1 : __builtin_sqrtf(under) - a / 2;
}

struct tick {
    uint32_t speed; /* at its end */
    uint32_t way;
    bool last;
};

static struct tick plan(void)
{
    const bool turning = mode == STOPPING || direction != wanted_direction;
    struct tick t = {.speed = approach(speed, turning ? 0 : wanted_speed)};
    if (bounded && !turning) {
        const float most = speed_to_end_f();
        if (most <= 0) {
            const float left = left_f();
            t.speed = 0;
            t.way = left > 0 ? (uint32_t)left : 0;
            t.last = true;
            return t;
        }
        if (most < (float)t.speed)
            t.speed = (uint32_t)most;
    }
    t.way = speed / 2 + t.speed / 2;
    t.last = mode == STOPPING && t.speed == 0;
    return t;
}

static struct segment steps_of(const struct tick *t, uint16_t start)
{
    struct segment s = {.direction = direction, .count = (uint8_t)((phase + t->way) / ONE)};
    if (s.count > 0) {
        const float cycles = (float)BOARD_TICK_CYCLES * CYCLE_BITS / (float)t->way; /* a fraction of way */
        s.first = ((uint32_t)start << 16) + (uint32_t)((float)(ONE - phase) * cycles);
        if (s.count > 1)
            s.interval = (uint32_t)(ONE_F * cycles);
    }
    return s;
}

/* With interrupts held off. */
static void commit(const struct tick *t, const struct segment *s)
{
    planned += s->direction > 0 ? s->count : -(int32_t)s->count;
    phase = (phase + t->way) % ONE;
    speed = t->speed;
    if (t->last) {
        mode = ENDING;
        phase = HALF;
    } else if (speed == 0 && direction != wanted_direction) {
        direction = wanted_direction;
        phase = phase == 0 ? ONE - 1 : ONE - phase;
    }
    if (s->count == 0)
        return;
    waiting = *s;
    if (!stepping && load()) {
        stepping = true;
        board_step_at((uint16_t)(going.first >> 16));
    }
}

void stepper_on_tick(uint16_t now)
{
    if (mode != MOVING && mode != STOPPING)
        return;
    const struct tick t = plan();
    const struct segment s = steps_of(&t, (uint16_t)(now + BOARD_TICK_CYCLES));
    /* The steps of the tick that runs now were fetched when those before were done: long ago, unless the last
     * of them fell on the very end of its tick. */
    while (waiting.count > 0)
        ;
    const uint8_t before = board_lock();
    if (mode == MOVING || mode == STOPPING) /* nothing has cut in the meantime */
        commit(&t, &s);
    board_unlock(before);
}

/* ---- orders ---- */

void stepper_arm(uint32_t limit)
{
    const uint8_t before = board_lock();
    position = 0;
    stand();
    travel_limit = limit < STEPPER_POSITION_MAX ? (int32_t)limit : STEPPER_POSITION_MAX;
    beyond = false;
    enabled = true;
    board_coils(true);
    board_unlock(before);
}

/* Whether the feed, as it is planned now, can still brake before the wanted end. */
static bool can_brake(int8_t new_direction, float new_acceleration, int32_t new_end)
{
    if (direction != new_direction && speed > 0)
        return true;
    const int32_t left = new_direction > 0 ? new_end - planned : planned - new_end;
    const float v = (float)speed / ONE_F;
    return (float)left + 0.5f >= v * v / (2 * new_acceleration);
}

bool stepper_move(int32_t speed_millisteps_s, uint32_t acceleration_steps_s2, uint32_t travel_steps)
{
    const int8_t new_direction = speed_millisteps_s > 0 ? 1 : -1;
    const float millisteps_s = (float)(speed_millisteps_s > 0 ? speed_millisteps_s : -speed_millisteps_s);
    const float new_acceleration = (float)acceleration_steps_s2 * (TICK_S * TICK_S);
    bool fine = false;
    const uint8_t before = board_lock();
    const int64_t new_end = position + (int64_t)new_direction * travel_steps;
    const bool exists = new_end <= STEPPER_POSITION_MAX && new_end >= -STEPPER_POSITION_MAX;
    if (!enabled) {
        /* An interrupt has just cut. */
    } else if (travel_steps == 0 ||
               (exists && can_brake(new_direction, new_acceleration, (int32_t)new_end))) {
        wanted_speed = (uint32_t)(millisteps_s * (TICK_S * 1e-3f * ONE_F));
        wanted_direction = new_direction;
        acceleration = (uint32_t)(new_acceleration * ONE_F + 0.5f);
        bounded = travel_steps > 0;
        end = (int32_t)new_end;
        if (speed == 0 && direction != new_direction) {
            direction = new_direction;
            phase = phase == 0 ? ONE - 1 : ONE - phase;
        }
        mode = MOVING;
        fine = true;
    }
    board_unlock(before);
    return fine;
}

void stepper_stop(void)
{
    const uint8_t before = board_lock();
    if (enabled)
        mode = speed == 0 ? ENDING : STOPPING;
    board_unlock(before);
}

void stepper_cut(void)
{
    const uint8_t before = board_lock();
    if (board_step_off())
        position += going.direction;
    board_coils(false);
    enabled = false;
    stand();
    board_unlock(before);
}

/* ---- state ---- */

bool stepper_moving(void)
{
    return mode != STANDING;
}

bool stepper_take_done(void)
{
    bool done = false;
    const uint8_t before = board_lock();
    if (mode == ENDING && !stepping) {
        mode = STANDING;
        done = true;
    }
    board_unlock(before);
    return done;
}

bool stepper_take_beyond(void)
{
    const uint8_t before = board_lock();
    const bool was = beyond;
    beyond = false;
    board_unlock(before);
    return was;
}

int32_t stepper_position(void)
{
    const uint8_t before = board_lock();
    const int32_t now = position;
    board_unlock(before);
    return now;
}
