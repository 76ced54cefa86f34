/* A rig for tests: a thread behind a pseudo-terminal that keeps to the protocol except where it is told not
 * to. Its force grows in proportion to the feed and its clock runs as fast as it is read; there is no physics
 * in it. */
#ifndef TESTS_CAPTURE_SCRIPTED_RIG_H
#define TESTS_CAPTURE_SCRIPTED_RIG_H

#include "rig/wire/message.h"

#include <pthread.h>
#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

#define SCRIPT_COMMANDS_MAX 64

struct script {
    uint8_t protocol_major; /* 0: this one's own */
    bool mute;              /* answers nothing */
    bool babbles;           /* sends bytes that are no frames instead of answers */
    double counts_per_n;    /* 0: 1000 */
    int32_t zero_counts;
    double newton_per_step; /* 0: 0.01 */
    bool keeps_no_limits;   /* leaves them to the host */
    uint8_t refuses;        /* this command ... */
    uint8_t reason;         /* ... for this reason */
    int deaf_to_first;      /* configure commands that get no answer */
    int deaf_to_arms;       /* the same for arm commands */
    int falls_silent_after; /* samples after the move, then nothing more; 0: never */
    int restarts_after;     /* samples after the move */
    int loses_frame_after;  /* samples after the move: one frame is not sent */
    int stop_request_after; /* samples after the move: raises *stop_requests by stop_request_count */
    int stop_request_count;
    int emergency_after; /* samples after the move: that flag, nothing else */
    int acts_in_move;    /* all that is told in samples happens after this move, from 1; 0: the first */
    int stops_short;     /* microsteps that it misses in the second and later moves */
    bool forgets_motion_done;
    bool tells_late; /* each "motion done" once more, while the move after it goes on */
    volatile sig_atomic_t stop_requests;
};

struct scripted_rig {
    struct script script;
    char path[64];
    int master;
    pthread_t thread;
    int quit[2];

    /* The log, to be read after scripted_rig_end. */
    uint8_t commands[SCRIPT_COMMANDS_MAX]; /* but keep-alives */
    size_t command_count;
    int keep_alives;
    struct wire_configure configure; /* the first with a rate */
    struct wire_arm arm;
    struct wire_move move;
    bool armed;

    /* The rig. */
    uint16_t sequence;
    uint32_t boot;
    bool sampling, moving;
    int64_t time_us;
    double position, speed; /* microsteps, microsteps per sample */
    double move_from;       /* position at which the move began */
    int moves, since_move;
};

/* Fill *rig from script and start it. */
void scripted_rig_begin(struct scripted_rig *rig, const struct script *script);
void scripted_rig_end(struct scripted_rig *rig);

#endif
