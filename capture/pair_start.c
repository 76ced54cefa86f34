#include "capture/pair_start.h"

#include "capture/force_text.h"
#include "capture/gcode_feed.h"
#include "capture/text_line.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define READINGS_WANTED      25
#define READINGS_LEAST       5 /* for an interval and its scatter */
#define TIMES_MAX            4000
#define LISTEN_US            1000000 /* at least; a fast gauge gives more readings */
#define LISTEN_MAX_US        4000000
#define ANSWER_US            2500000
#define BOOT_TRIES           2 /* opening a port resets some controllers, which then miss the first line */
#define EXAMPLE_BYTES        60
#define PROBES               8
#define WRITE_US             200000
#define RATE_TOLERANCE_SHARE 0.1
/* Half of the longest piece of motion: a controller that answers no sooner cannot be fed in short pieces. */
#define FEED_LATENCY_MAX_S 0.05

/* What came on one port while both were listened to. */
struct heard {
    struct text_line line;
    int64_t bytes, lines;
    int64_t readings, answers;                /* lines that look like the gauge's, like the controller's */
    int64_t kinds[FORCE_LINE_UNREADABLE + 1]; /* lines by what the gauge's form makes of them */
    char example[FORCE_LINE_UNREADABLE + 1][EXAMPLE_BYTES + 1]; /* the latest of each kind */
    char unit[8];
    double arrived_us[TIMES_MAX]; /* of readings */
    int64_t time_count;
};

static enum err_code send_line(struct link *link, const char *words, struct err *e)
{
    char line[BENCH_FILE_WORD_MAX + 2];
    int length = snprintf(line, sizeof line, "%s\n", words);
    return link_write(link, line, (size_t)length, WRITE_US, e);
}

static void hear_line(struct heard *h, const struct bench_file *bench, const struct force_text *text,
                      double arrived_us)
{
    struct force_line reading = force_text_read(text, h->line.text);
    h->lines++;
    h->kinds[reading.kind]++;
    memcpy(h->example[reading.kind], h->line.text, EXAMPLE_BYTES); /* a prefix is enough to know it by */
    h->example[reading.kind][EXAMPLE_BYTES] = 0;
    if (reading.kind == FORCE_LINE_OTHER_UNIT)
        memcpy(h->unit, reading.unit, sizeof h->unit);
    if (gcode_feed_answer(&bench->feed, h->line.text) != GCODE_OTHER)
        h->answers++;
    if (reading.kind == FORCE_LINE_READING || reading.kind == FORCE_LINE_OVER_RANGE) {
        h->readings++;
        if (h->time_count < TIMES_MAX)
            h->arrived_us[h->time_count++] = arrived_us;
    }
}

static enum err_code hear(struct heard *h, struct link *link, int baud, const struct bench_file *bench,
                          const struct force_text *text, int64_t wait_us, struct err *e)
{
    char bytes[2048];
    size_t got;
    size_t at = 0;
    enum err_code code = link_read(link, bytes, sizeof bytes, wait_us, &got, e);
    double now_us = (double)link_now_us();
    if (code != ERR_OK)
        return code;
    h->bytes += (int64_t)got;
    while (at < got) {
        enum text_line_result result;
        at += text_line_feed(&h->line, bytes + at, got - at, &result);
        if (result == TEXT_LINE_WHOLE)
            hear_line(h, bench, text, now_us - (double)(got - at) * 1e7 / baud);
    }
    return ERR_OK;
}

static enum err_code listen_to_both(const struct bench_file *bench, const struct force_text *text,
                                    struct link *force, struct link *feed, struct heard *of_force,
                                    struct heard *of_feed, struct err *e)
{
    int64_t begun_us = link_now_us();
    int64_t poll_due_us = begun_us;
    enum err_code code = ERR_OK;
    link_discard_input(force);
    link_discard_input(feed);
    while (code == ERR_OK) {
        int64_t now_us = link_now_us();
        int64_t passed_us = now_us - begun_us;
        if (passed_us >= LISTEN_MAX_US || (passed_us >= LISTEN_US && of_force->time_count >= READINGS_WANTED))
            break;
        if (bench->force.polled && now_us >= poll_due_us) {
            poll_due_us += llround(1e6 / bench->force.rate_hz);
            code = send_line(force, bench->force.poll, e);
        }
        if (code == ERR_OK)
            code = hear(of_force, force, bench->force.baud, bench, text, 2000, e);
        if (code == ERR_OK)
            code = hear(of_feed, feed, bench->feed.baud, bench, text, 0, e);
    }
    return code;
}

/* ---- what is wrong with what came ---- */

static enum err_code swapped(const char *path, const struct bench_file *bench, struct err *e)
{
    return err_set_at(e, ERR_DEVICE, path, 0, 0,
                      "the two instruments are swapped: %s is the motion controller and %s the force gauge",
                      bench->force.port, bench->feed.port);
}

static enum err_code judge_kinds(const struct bench_file *bench, const struct heard *h, struct err *e)
{
    const char *port = bench->force.port;
    if (h->kinds[FORCE_LINE_OTHER_UNIT] > 0)
        return err_set_at(e, ERR_BYTES, port, 0, 0,
                          "the force gauge writes '%s' where the bench file says %s: '%s'", h->unit,
                          BENCH_UNIT_NAMES[bench->force.unit], h->example[FORCE_LINE_OTHER_UNIT]);
    if (h->readings >= READINGS_LEAST)
        return ERR_OK;
    if (h->kinds[FORCE_LINE_COMMA] > 0)
        return err_set_at(e, ERR_BYTES, port, 0, 0,
                          "the force gauge writes a decimal %s: '%s'; say 'decimal: %s' in the bench file",
                          bench->force.decimal_comma ? "point" : "comma", h->example[FORCE_LINE_COMMA],
                          bench->force.decimal_comma ? "point" : "comma");
    if (h->kinds[FORCE_LINE_NOT_TEXT] > 0 || (h->bytes > 2 * TEXT_LINE_MAX && h->lines == 0))
        return err_set_at(e, ERR_BYTES, port, 0, 0,
                          "%lld bytes came from the force gauge, but they are no text; is %d the right baud "
                          "rate?",
                          (long long)h->bytes, bench->force.baud);
    if (h->kinds[FORCE_LINE_UNREADABLE] > 0)
        return err_set_at(e, ERR_BYTES, port, 0, 0,
                          "a line of the force gauge %s: '%s'; correct 'column' or 'pattern'",
                          force_text_kind(FORCE_LINE_UNREADABLE), h->example[FORCE_LINE_UNREADABLE]);
    if (h->readings > 0)
        return err_set_at(e, ERR_DEVICE, port, 0, 0, "only %lld readings of the force gauge came in %g s",
                          (long long)h->readings, LISTEN_MAX_US * 1e-6);
    return err_set_at(e, ERR_DEVICE, port, 0, 0, "the force gauge %s; is it on, and is this its port%s?",
                      bench->force.polled ? "does not answer when it is polled" : "writes nothing",
                      bench->force.polled ? "" : ", or must it be asked ('poll')");
}

static enum err_code judge_rate(const char *path, const struct bench_file *bench, const struct heard *h,
                                struct run_separate *s, struct err *e)
{
    double n = (double)h->time_count - 1;
    double mean_us = (h->arrived_us[h->time_count - 1] - h->arrived_us[0]) / n;
    double squares = 0;
    for (int64_t i = 1; i < h->time_count; i++) {
        double off_us = h->arrived_us[i] - h->arrived_us[i - 1] - mean_us;
        squares += off_us * off_us;
    }
    s->force_interval_s = mean_us * 1e-6;
    s->force_interval_sd_s = sqrt(squares / (n - 1)) * 1e-6;
    if (!(fabs(1 / (s->force_interval_s * bench->force.rate_hz) - 1) <= RATE_TOLERANCE_SHARE))
        return err_set_at(e, ERR_FILE, path, 0, 0,
                          "force: rate_hz: the gauge gives %.4g readings a second, not %g",
                          1 / s->force_interval_s, bench->force.rate_hz);
    return ERR_OK;
}

/* ---- the controller ---- */

/* Send words and wait for the answer to them; *took_us: how long that took. */
static enum err_code ask(const struct bench_file *bench, struct link *feed, const char *words, int tries,
                         int64_t *took_us, struct err *e)
{
    struct text_line line = {0};
    int64_t asked_us = 0;
    int64_t bytes_heard = 0;
    bool no_text = false;
    for (int i = 0; i < tries; i++) {
        enum err_code code = send_line(feed, words, e);
        asked_us = link_now_us();
        while (code == ERR_OK && link_now_us() - asked_us < ANSWER_US) {
            char bytes[1024];
            size_t got;
            size_t at = 0;
            code = link_read(feed, bytes, sizeof bytes, asked_us + ANSWER_US - link_now_us(), &got, e);
            *took_us = link_now_us() - asked_us;
            bytes_heard += (int64_t)(code == ERR_OK ? got : 0);
            while (code == ERR_OK && at < got) {
                enum text_line_result result;
                at += text_line_feed(&line, bytes + at, got - at, &result);
                if (result != TEXT_LINE_WHOLE)
                    continue;
                no_text = no_text || !text_line_is_text(line.text);
                switch (gcode_feed_answer(&bench->feed, line.text)) {
                case GCODE_ACCEPTED:
                    return ERR_OK;
                case GCODE_REFUSED:
                    return err_set_at(e, ERR_DEVICE, bench->feed.port, 0, 0,
                                      "the motion controller answers '%.60s' to '%s'", line.text, words);
                case GCODE_OTHER:
                    break;
                }
            }
        }
        if (code != ERR_OK)
            return code;
    }
    if (no_text)
        return err_set_at(e, ERR_BYTES, bench->feed.port, 0, 0,
                          "what the motion controller writes is no text; is %d the right baud rate?",
                          bench->feed.baud);
    if (bytes_heard > 0)
        return err_set_at(e, ERR_BYTES, bench->feed.port, 0, 0,
                          "the motion controller does not answer '%s' to '%s'; the latest line was '%.60s'",
                          bench->feed.accepted, words, line.text);
    return err_set_at(e, ERR_DEVICE, bench->feed.port, 0, 0,
                      "the motion controller does not answer '%s'; is it on, and is this its port?", words);
}

static enum err_code start_controller(const struct bench_file *bench, struct link *feed,
                                      struct run_separate *s, struct err *e)
{
    double took_s[PROBES];
    double mean = 0;
    double squares = 0;
    int64_t took_us;
    for (size_t i = 0; i < bench->feed.start_up_count; i++) {
        enum err_code code = ask(bench, feed, bench->feed.start_up[i], i == 0 ? BOOT_TRIES : 1, &took_us, e);
        if (code != ERR_OK)
            return code;
    }
    for (int i = 0; i < PROBES; i++) {
        enum err_code code = ask(bench, feed, bench->feed.probe, 1, &took_us, e);
        if (code != ERR_OK)
            return code;
        took_s[i] = (double)took_us * 1e-6;
        mean += took_s[i] / PROBES;
    }
    for (int i = 0; i < PROBES; i++)
        squares += (took_s[i] - mean) * (took_s[i] - mean);
    s->feed_latency_s = mean / 2;
    s->feed_latency_standard_uncertainty_s = sqrt(mean * mean / 12 + squares / (PROBES - 1));
    if (s->feed_latency_s > FEED_LATENCY_MAX_S)
        return err_set_at(e, ERR_DEVICE, bench->feed.port, 0, 0,
                          "the motion controller takes %.0f ms to answer '%s'; more than %.0f ms is too slow "
                          "for a feed that is handed out in short pieces",
                          mean * 1e3, bench->feed.probe, 2e3 * FEED_LATENCY_MAX_S);
    return ERR_OK;
}

/* ---- both ---- */

enum err_code pair_start(const char *path, const struct bench_file *bench, struct link *force,
                         struct link *feed, struct run_separate *separate, struct err *e)
{
    struct heard of_force = {0};
    struct heard of_feed = {0};
    struct force_text *text;
    enum err_code code = force_text_new(&bench->force, &text, e);
    if (code != ERR_OK)
        return code;
    *separate = (struct run_separate){.force_latency_s = bench->force.latency_s,
                                      .force_latency_standard_uncertainty_s =
                                          bench->force.latency_standard_uncertainty_s,
                                      .force_resolution_n = bench_file_count_n(&bench->force)};
    code = listen_to_both(bench, text, force, feed, &of_force, &of_feed, e);
    force_text_free(text);
    if (code != ERR_OK)
        return code;
    /* Before a word of motion goes to what may be a gauge. */
    if (of_force.readings < READINGS_LEAST &&
        (of_feed.readings + of_feed.kinds[FORCE_LINE_OTHER_UNIT] >= READINGS_LEAST || of_force.answers > 0))
        return swapped(path, bench, e);
    code = judge_kinds(bench, &of_force, e);
    if (code == ERR_OK)
        code = judge_rate(path, bench, &of_force, separate, e);
    return code == ERR_OK ? start_controller(bench, feed, separate, e) : code;
}
