#include "capture/gcode_feed.h"
#include "capture/pair_rig.h"
#include "rig/wire/frame.h"
#include "rig/wire/message.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define START_US 1000000000

/* Both sides of the translator: a host, a gauge that writes 50 lines a second, and a controller that answers
 * each line at once and carries it out without a pause. */
struct world {
    struct bench_file bench;
    struct pair_rig *rig;
    int64_t now_us;
    uint16_t host_sequence;
    bool host_alive, gauge_on, answers;
    double force_n;
    const char *unit;
    int64_t line_due_us, host_due_us;
    char answer_waiting[16][16]; /* to be given at the next tick: an answer never comes within the question */
    int waiting;
    const char *refusal;

    double given_s,
        given_mm; /* motion that the controller has been given and has not carried out; whole way */
    double most_given_s;
    char lines[400][GCODE_LINE_MAX];
    int line_count;

    struct wire_decoder decoder;
    uint8_t decoder_buffer[WIRE_ENCODED_MAX];
    struct wire_identity identity;
    struct wire_ack ack;
    struct wire_event event;
    int acks, events, statuses, samples;
    struct wire_sample sample;
    struct wire_sample before;
};

static void to_host(void *context, const uint8_t *bytes, size_t length)
{
    struct world *w = context;
    while (length > 0) {
        struct wire_frame f;
        enum wire_error result;
        struct wire_sample samples[WIRE_BATCH_MAX];
        size_t count;
        size_t taken = wire_decoder_feed(&w->decoder, bytes, length, &result, &f);
        bytes += taken;
        length -= taken;
        if (result != WIRE_OK)
            continue;
        switch (f.type) {
        case WIRE_IDENTITY:
            cr_assert_eq(wire_unpack_identity(f.body, f.length, &w->identity), WIRE_OK);
            break;
        case WIRE_ACK:
            cr_assert_eq(wire_unpack_ack(f.body, f.length, &w->ack), WIRE_OK);
            w->acks++;
            break;
        case WIRE_EVENT:
            cr_assert_eq(wire_unpack_event(f.body, f.length, &w->event), WIRE_OK);
            w->events++;
            break;
        case WIRE_STATUS:
            w->statuses++;
            break;
        case WIRE_SAMPLES:
            cr_assert_eq(wire_unpack_batch(f.body, f.length, samples, &count), WIRE_OK);
            cr_assert_eq(count, 1);
            w->before = w->sample;
            w->sample = samples[0];
            w->samples++;
            break;
        default:
            cr_assert_fail("a frame of type %d", f.type);
        }
    }
}

static void to_force(void *context, const char *line)
{
    (void)context;
    cr_assert_fail("this gauge is not to be asked: '%s'", line);
}

static void to_feed(void *context, const char *line)
{
    struct world *w = context;
    double way, rate;
    cr_assert_lt(w->line_count, 400);
    snprintf(w->lines[w->line_count++], GCODE_LINE_MAX, "%s", line);
    if (sscanf(line, "G1 X%lf F%lf", &way, &rate) == 2) {
        w->given_s += fabs(way) / rate * 60;
        w->given_mm += way;
        w->most_given_s = fmax(w->most_given_s, w->given_s);
    } else if (strcmp(line, "M0") == 0) {
        w->given_s = 0;
    }
    if (w->answers)
        snprintf(w->answer_waiting[w->waiting++], 16, "%s\n", w->refusal != NULL ? w->refusal : "ok");
}

static void host_says(struct world *w, uint8_t type, const uint8_t *body, size_t length)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    size_t bytes = wire_frame_encode(type, w->host_sequence++, body, length, frame);
    pair_rig_from_host(w->rig, w->now_us, frame, bytes);
}

static void run(struct world *w, double seconds)
{
    int64_t until_us = w->now_us + llround(seconds * 1e6);
    for (; w->now_us < until_us; w->now_us += 1000) {
        w->given_s = fmax(0, w->given_s - 0.001);
        for (int i = 0; i < w->waiting; i++)
            pair_rig_from_feed(w->rig, w->now_us, w->answer_waiting[i], strlen(w->answer_waiting[i]));
        w->waiting = 0;
        pair_rig_from_force(w->rig, w->now_us, "", 0);
        if (w->gauge_on && w->now_us >= w->line_due_us) {
            char line[40];
            int length = snprintf(line, sizeof line, "%+.2f %s\r\n", w->force_n, w->unit);
            pair_rig_from_force(w->rig, w->now_us, line, (size_t)length);
            w->line_due_us += 20000;
        }
        if (w->host_alive && w->now_us >= w->host_due_us) {
            host_says(w, WIRE_KEEP_ALIVE, NULL, 0);
            w->host_due_us = w->now_us + 75000;
        }
        pair_rig_advance(w->rig, w->now_us);
    }
}

static void begin(struct world *w)
{
    struct pair_setup setup = {.rate_millihertz = 50000,
                               .boot = 7,
                               .separate = {.force_interval_s = 0.02, .feed_latency_s = 0.004},
                               .ends = {NULL, to_host, to_force, to_feed}};
    struct err e;
    memset(w, 0, sizeof *w);
    setup.ends.context = w;
    w->bench = (struct bench_file){.name = "test bench",
                                   .force = {.port = "gauge",
                                             .baud = 115200,
                                             .column = 1,
                                             .over_range = "OL",
                                             .scale = 1,
                                             .resolution = 0.01,
                                             .capacity = 500,
                                             .rate_hz = 50,
                                             .silence_s = 0.3,
                                             .latency_s = 0.01},
                                   .feed = {.port = "controller",
                                            .axis = 'X',
                                            .microsteps_per_mm = 100,
                                            .motion = "G1",
                                            .probe = "G4 P0",
                                            .accepted = "ok",
                                            .refused = {"error"},
                                            .refused_count = 1,
                                            .stop = "M0",
                                            .release = "M18",
                                            .lines_in_flight = 4}};
    setup.bench = &w->bench;
    w->now_us = w->line_due_us = w->host_due_us = START_US;
    w->gauge_on = w->answers = w->host_alive = true;
    w->unit = "N";
    wire_decoder_init(&w->decoder, w->decoder_buffer, sizeof w->decoder_buffer);
    cr_assert_eq(pair_rig_new(&setup, w->now_us, &w->rig, &e), ERR_OK);
}

static uint8_t configure(struct world *w, uint32_t millihertz)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_configure m = {.sample_rate_millihertz = millihertz};
    host_says(w, WIRE_CONFIGURE, body, wire_pack_configure(&m, body));
    return w->ack.reason;
}

static uint8_t arm(struct world *w, int32_t force_counts, uint32_t travel, uint32_t ms)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_arm m = {-force_counts, force_counts, travel, ms};
    host_says(w, WIRE_ARM, body, wire_pack_arm(&m, body));
    return w->ack.reason;
}

static uint8_t move(struct world *w, int32_t millisteps_s, uint32_t travel)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_move m = {millisteps_s, 5000, travel};
    host_says(w, WIRE_MOVE, body, wire_pack_move(&m, body));
    return w->ack.reason;
}

/* Sampling, armed and under way at 5 mm/s for 60 mm. */
static void set_off(struct world *w)
{
    begin(w);
    cr_assert_eq(configure(w, 50000), WIRE_ACCEPTED);
    run(w, 0.3);
    cr_assert_eq(arm(w, 10000, 7000, 30000), WIRE_ACCEPTED);
    cr_assert_eq(move(w, 500000, 6000), WIRE_ACCEPTED);
    run(w, 2);
}

Test(pair_rig, a_bench_tells_what_it_is)
{
    struct world w = {0};
    begin(&w);
    host_says(&w, WIRE_IDENTIFY, NULL, 0);
    cr_expect_str_eq(w.identity.serial, "test bench");
    cr_expect_eq(w.identity.time_scale_milli, 1000);
    cr_expect_eq(w.identity.sample_rate_max_millihertz, 50000);
    cr_expect_eq(w.identity.counts_max, 50000);
    cr_expect_eq(w.identity.counts_min, -50000);
    cr_expect_eq(w.identity.channels, WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS);
    cr_expect_eq(configure(&w, 100000), WIRE_REFUSED_OUT_OF_RANGE, "no rate but the gauge's own");
    cr_expect_eq(configure(&w, 49000), WIRE_ACCEPTED);
    cr_expect_eq(move(&w, 500000, 100), WIRE_REFUSED_NOT_ARMED);
    pair_rig_free(w.rig);
}

Test(pair_rig, readings_are_stamped_at_arrival_less_the_latency)
{
    struct world w = {0};
    uint32_t first;
    begin(&w);
    w.force_n = -2.39;
    configure(&w, 50000);
    run(&w, 0.001);
    cr_assert_eq(w.samples, 1);
    first = w.sample.time_us;
    cr_expect_eq(w.sample.force_counts, -239);
    /* The clock runs from 10 s on; the line feed behind the line took ten bits of the time. */
    cr_expect_eq(first, 10000000 - 10000 - 87);
    /* Two lines in one go: the first came as much earlier as the second took, 9 bytes of 10 bits. */
    w.gauge_on = false;
    pair_rig_from_force(w.rig, w.now_us + 39000, "+1.00 N\r\n+2.00 N\r\n", 18);
    cr_assert_eq(w.samples, 3);
    cr_expect_eq(w.sample.time_us - first, 40000);
    cr_expect_eq(w.sample.time_us - w.before.time_us, 781);
    pair_rig_free(w.rig);
}

Test(pair_rig, a_travel_is_carried_out_in_pieces_and_told_when_done)
{
    struct world w = {0};
    begin(&w);
    configure(&w, 50000);
    run(&w, 0.3);
    arm(&w, 10000, 1000, 30000);
    move(&w, 500000, 555); /* 5.55 mm at 5 mm/s and 50 mm/s2: 0.1 + 1.01 + 0.1 s */
    run(&w, 1.205);
    cr_expect_eq(w.events, 0, "not before the end");
    run(&w, 0.03);
    cr_assert_eq(w.events, 1);
    cr_expect_eq(w.event.kind, WIRE_EVENT_MOTION_DONE);
    cr_expect_eq(w.event.value, 555);
    cr_expect_float_eq(w.given_mm, 5.55, 1e-9);
    cr_expect_leq(w.most_given_s, GCODE_AHEAD_S + 1e-6);
    cr_expect_str_eq(w.lines[w.line_count - 1], "G4 P0");
    move(&w, -500000, 555);
    run(&w, 1.3);
    cr_expect_eq(w.events, 2);
    cr_expect_eq(w.event.value, 0);
    cr_expect_float_eq(w.given_mm, 0, 1e-9);
    pair_rig_free(w.rig);
}

Test(pair_rig, commanded_steps_are_those_of_the_time_of_the_reading)
{
    struct world w = {0};
    set_off(&w);
    /* Up to speed since 0.1 s: x = v (t - 0.05 s); t from the first line, less both latencies, 4 and 10 ms.
     */
    double t = (double)(w.now_us - START_US - 300000) * 1e-6;
    double late_s = t - floor((t + 0.299) / 0.02) * 0.02 + 0.3; /* since the newest line */
    cr_expect_float_eq(w.sample.commanded_steps, 500 * (t - late_s - 0.014 - 0.05), 1.5);
    pair_rig_free(w.rig);
}

/* However it is silenced, the controller has been given no motion past half a second. */
Test(pair_rig, a_host_that_falls_silent_leaves_the_feed_standing)
{
    struct world w = {0};
    set_off(&w);
    w.host_alive = false;
    w.bench.feed.stop[0] = 0; /* without any help */
    int64_t heard_us = w.host_due_us - 75000;
    int64_t moved_us = 0;
    for (int i = 0; i < 1500; i++) {
        run(&w, 0.001);
        if (w.given_s > 0)
            moved_us = w.now_us;
    }
    cr_expect_leq(moved_us - heard_us, PAIR_WATCHDOG_US, "%d ms", (int)((moved_us - heard_us) / 1000));
    cr_expect_eq(w.event.kind, WIRE_EVENT_WATCHDOG);
    cr_expect_eq(w.event.value, 500);
    cr_expect_str_eq(w.lines[w.line_count - 1], "M18");
    pair_rig_free(w.rig);
}

Test(pair_rig, a_program_that_stops_leaves_at_most_the_pieces_that_were_handed_out)
{
    struct world w = {0};
    set_off(&w);
    cr_expect_leq(w.given_s, GCODE_AHEAD_S + 1e-6);
    /* Held up for 350 ms and back: where the axis is cannot be said, so that is the end. */
    w.given_s = 0;
    w.now_us += 350000;
    w.line_due_us = w.now_us;
    run(&w, 0.1);
    cr_assert_not_null(pair_rig_failure(w.rig));
    cr_expect_not_null(strstr(pair_rig_failure(w.rig), "held up"), "%s", pair_rig_failure(w.rig));
    cr_expect_str_eq(w.lines[w.line_count - 1], "M18");
    pair_rig_free(w.rig);
}

Test(pair_rig, a_cut_stops_at_once_and_says_so_to_the_controller)
{
    struct world w = {0};
    set_off(&w);
    int before = w.line_count;
    host_says(&w, WIRE_CUT, NULL, 0);
    cr_assert_eq(w.line_count, before + 2);
    cr_expect_str_eq(w.lines[before], "M0");
    cr_expect_str_eq(w.lines[before + 1], "M18");
    run(&w, 1);
    cr_expect_eq(w.line_count, before + 2);
    cr_expect_eq(move(&w, 500000, 100), WIRE_REFUSED_NOT_ARMED);
    pair_rig_free(w.rig);
}

Test(pair_rig, a_stop_ramps_down_and_tells_where_it_stands)
{
    struct world w = {0};
    set_off(&w);
    double before_mm = w.given_mm;
    host_says(&w, WIRE_STOP, NULL, 0);
    run(&w, 0.6);
    cr_expect_eq(w.event.kind, WIRE_EVENT_MOTION_DONE);
    /* v^2 / 2a behind what was handed out */
    cr_expect_float_eq(w.given_mm, before_mm + 0.25, 1e-4);
    cr_expect_eq(w.event.value, llround(w.given_mm * 100));
    cr_expect_eq(w.sample.commanded_steps, w.event.value);
    pair_rig_free(w.rig);
}

struct limit_case {
    double force_n;
    uint32_t travel, ms;
    uint8_t kind;
};

Test(pair_rig, limits_are_kept_here_too)
{
    static const struct limit_case CASES[] = {{100, 7000, 30000, WIRE_EVENT_FORCE_LIMIT},
                                              {-100, 7000, 30000, WIRE_EVENT_FORCE_LIMIT},
                                              {1, 300, 30000, WIRE_EVENT_TRAVEL_LIMIT},
                                              {1, 7000, 900, WIRE_EVENT_TIME_LIMIT}};
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct world w;
        begin(&w);
        configure(&w, 50000);
        run(&w, 0.1);
        arm(&w, 10000, CASES[i].travel, CASES[i].ms);
        move(&w, 500000, 6000);
        run(&w, 0.5);
        cr_assert_eq(w.events, 0);
        w.force_n = CASES[i].force_n;
        run(&w, 0.5);
        cr_assert_eq(w.events, 1, "case %zu", i);
        cr_expect_eq(w.event.kind, CASES[i].kind, "case %zu: %d", i, w.event.kind);
        int before = w.line_count;
        run(&w, 0.5);
        cr_expect_eq(w.line_count, before, "nothing goes out after the cut");
        pair_rig_free(w.rig);
    }
}

/* Without a stop word what the controller has in its hands is carried out behind a limit: the feed stands
 * within that, a reading and the latencies of the moment when the force was there. */
Test(pair_rig, without_a_stop_word_little_is_given_in_advance)
{
    struct world w;
    double given_mm;
    begin(&w);
    w.bench.feed.stop[0] = 0;
    configure(&w, 50000);
    run(&w, 0.3);
    arm(&w, 10000, 7000, 30000);
    move(&w, 500000, 6000);
    run(&w, 2);
    cr_expect_leq(w.most_given_s, 0.15 + 1e-6, "%.3f s", w.most_given_s);
    cr_expect_gt(w.given_s, 0.09, "and yet it is not about to run dry: %.3f s", w.given_s);
    given_mm = w.given_mm - 5 * w.given_s; /* where the feed is */
    w.force_n = 100;
    run(&w, 0.5);
    cr_expect_eq(w.event.kind, WIRE_EVENT_FORCE_LIMIT);
    cr_expect_leq(w.given_mm - given_mm, 5 * (0.15 + 0.02 + 0.002), "%.3f mm more", w.given_mm - given_mm);
    pair_rig_free(w.rig);
}

/* A program that is held up for 100 ms, again and again, does not let the controller run dry. */
Test(pair_rig, short_pieces_outlast_a_program_that_is_held_up)
{
    struct world w;
    begin(&w);
    w.bench.feed.stop[0] = 0;
    configure(&w, 50000);
    run(&w, 0.3);
    arm(&w, 10000, 7000, 30000);
    move(&w, 500000, 6000);
    run(&w, 0.5);
    for (int i = 0; i < 20; i++) {
        w.given_s = fmax(0, w.given_s - 0.1);
        cr_expect_gt(w.given_s, -1e-9);
        w.now_us += 100000;
        run(&w, 0.06 + 0.003 * i);
        cr_assert_null(pair_rig_failure(w.rig), "%s", pair_rig_failure(w.rig));
    }
    /* A controller that takes few lines is fed in long pieces as before. */
    pair_rig_free(w.rig);
    begin(&w);
    w.bench.feed.stop[0] = 0;
    w.bench.feed.lines_in_flight = 2;
    configure(&w, 50000);
    run(&w, 0.3);
    arm(&w, 10000, 7000, 30000);
    move(&w, 500000, 6000);
    run(&w, 2);
    cr_expect_null(pair_rig_failure(w.rig), "%s", pair_rig_failure(w.rig));
    cr_expect_gt(w.most_given_s, 0.25);
    cr_expect_leq(w.most_given_s, GCODE_AHEAD_S + 1e-6);
    pair_rig_free(w.rig);
}

Test(pair_rig, what_an_instrument_does_wrong_is_named_and_stops_the_feed)
{
    static const struct {
        const char *word;
        double within_s;
        const char *sentence;
    } CASES[] = {{"unit", 0.03, "writes 'lbf' where 'N' is expected"},
                 {"silent", 0.35, "has been silent for 0.3 s"},
                 {"comma", 0.35, "has another decimal sign"},
                 {"garbage", 0.35, "no text; is the baud rate right?"},
                 {"stream", 0.35, "bytes without a line among them; is the baud rate right?"},
                 {"refusal", 0.15, "answered 'error: 9'"},
                 {"mute", 0.8, "answers come too slowly"}};
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct world w;
        const char *word = CASES[i].word;
        set_off(&w);
        if (strcmp(word, "unit") == 0)
            w.unit = "lbf";
        else if (strcmp(word, "refusal") == 0)
            w.refusal = "error: 9";
        else if (strcmp(word, "mute") == 0)
            w.answers = false;
        else
            w.gauge_on = false;
        for (double t = 0; t < CASES[i].within_s; t += 0.01) {
            if (strcmp(word, "comma") == 0)
                pair_rig_from_force(w.rig, w.now_us, "1,00 N\n", 7);
            else if (strcmp(word, "garbage") == 0)
                pair_rig_from_force(w.rig, w.now_us, "\x86\x98\x86\n", 4);
            else if (strcmp(word, "stream") == 0)
                pair_rig_from_force(w.rig, w.now_us, "\x86\x98\x86\x98\x86", 5);
            run(&w, 0.01);
        }
        cr_assert_not_null(pair_rig_failure(w.rig), "%s is not noticed", word);
        cr_expect_not_null(strstr(pair_rig_failure(w.rig), CASES[i].sentence), "%s", pair_rig_failure(w.rig));
        cr_expect_str_eq(w.lines[w.line_count - 1], "M18", "%s: the motor is released", word);
        pair_rig_free(w.rig);
    }
}

Test(pair_rig, a_program_that_was_held_up_looks_before_it_calls_the_gauge_silent)
{
    struct world w = {0};
    begin(&w);
    configure(&w, 50000);
    run(&w, 0.1);
    w.now_us += 400000;
    host_says(&w, WIRE_KEEP_ALIVE, NULL, 0);
    pair_rig_advance(w.rig, w.now_us);
    cr_expect_null(pair_rig_failure(w.rig), "%s", pair_rig_failure(w.rig));
    pair_rig_from_force(w.rig, w.now_us, "", 0);
    pair_rig_advance(w.rig, w.now_us);
    cr_expect_not_null(pair_rig_failure(w.rig), "but now it has looked");
    pair_rig_free(w.rig);
}

Test(pair_rig, over_range_is_a_flag_and_ends_an_armed_run)
{
    struct world w = {0};
    set_off(&w);
    w.gauge_on = false;
    pair_rig_from_force(w.rig, w.now_us, "OL\n", 3);
    cr_expect_eq(w.sample.flags, WIRE_FLAG_OVER_RANGE);
    cr_expect_eq(w.sample.force_counts, 50000);
    cr_expect_eq(w.event.kind, WIRE_EVENT_FORCE_LIMIT);
    pair_rig_free(w.rig);
}

Test(pair_rig, a_single_strange_line_is_passed_over)
{
    struct world w = {0};
    set_off(&w);
    int before = w.samples;
    pair_rig_from_force(w.rig, w.now_us, "battery low\n", 12);
    run(&w, 0.5);
    cr_expect_null(pair_rig_failure(w.rig));
    cr_expect_geq(w.samples, before + 24);
    pair_rig_free(w.rig);
}

Test(pair_rig, random_bytes_move_nothing)
{
    struct world w = {0};
    begin(&w);
    unsigned short seed[3] = {2031, 3, 2};
    for (int i = 0; i < 20000; i++) {
        char bytes[16];
        for (size_t k = 0; k < sizeof bytes; k++)
            bytes[k] = (char)nrand48(seed);
        w.now_us += 100;
        pair_rig_from_host(w.rig, w.now_us, (const uint8_t *)bytes, sizeof bytes);
        pair_rig_from_force(w.rig, w.now_us, bytes, sizeof bytes);
        pair_rig_from_feed(w.rig, w.now_us, bytes, sizeof bytes);
        pair_rig_advance(w.rig, w.now_us);
    }
    cr_expect_eq(w.given_mm, 0);
    pair_rig_free(w.rig);
}
