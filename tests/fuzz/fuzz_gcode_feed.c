/* Answers of a motion controller, and the motion that is cut into lines for it. The first bytes are the
 * motion, the first line behind them the words of the controller, the others its answers. */
#include "capture/bench_file.h"
#include "capture/gcode_feed.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PIECES_MOST 400
#define MOTION      8 /* bytes */

/* The line for a piece says exactly its way, and its feed rate to the last digit written. */
static void check_line(const struct gcode_piece *p)
{
    char line[GCODE_LINE_MAX];
    double way_mm, rate_mm_min,
        wanted = fabs((double)(p->to - p->from)) * GCODE_UNIT_MM * 60 / (p->end_s - p->start_s);
    char axis, more;
    gcode_feed_line(p, "G1", 'E', line, sizeof line);
    assert(strlen(line) + 1 < sizeof line);
    assert(sscanf(line, "G1 %c%lf F%lf%c", &axis, &way_mm, &rate_mm_min, &more) == 3 && axis == 'E');
    assert(llround(way_mm / GCODE_UNIT_MM) == p->to - p->from);
    assert(fabs(rate_mm_min - wanted) <= 1e-4 + 1e-9 * wanted);
}

/* Take what there is up to PIECES_MOST; without a gap, forwards, none longer than a piece may be. */
static void take_pieces(struct gcode_feed *f, double speed_mm_s)
{
    struct gcode_piece p, same;
    for (int i = 0; i < PIECES_MOST && gcode_feed_next(f, &p); i++) {
        assert(gcode_feed_next(f, &same) && same.to == p.to);
        assert(p.from == gcode_feed_end(f) && fabs(p.start_s - gcode_feed_end_s(f)) < 1e-9);
        assert(p.end_s > p.start_s && p.end_s - p.start_s <= f->piece_s * 1.0001);
        assert((p.to - p.from) * f->direction >= 0);
        assert(fabs((double)(p.to - p.from)) * GCODE_UNIT_MM <=
               speed_mm_s * (p.end_s - p.start_s) * 1.0001 + 2 * GCODE_UNIT_MM);
        check_line(&p);
        gcode_feed_take(f, &p);
        assert(gcode_feed_end(f) == p.to);
        assert(fabs(gcode_feed_position(f, p.end_s) - (double)p.to) < 1e-6);
        assert(fabs(gcode_feed_position(f, (p.start_s + p.end_s) / 2) - (double)(p.from + p.to) / 2) <= 0.51);
    }
}

static void check_motion(const uint8_t *b)
{
    static struct gcode_feed f;
    struct gcode_piece p;
    const struct bench_feed bench = {.stop = {(b[6] & 4) != 0 ? 0 : 'M'}, .lines_in_flight = 1 + b[6] / 32};
    double speed = ((b[0] | b[1] << 8) - 32768) / 300.0, acceleration = b[2] * b[2] / 10.0;
    int64_t travel = (b[3] | b[4] << 8) * 64, origin = (int64_t)(b[5] - 128) * 123457, goal;
    bool has_goal = (b[6] & 1) != 0;
    goal = origin + (speed < 0 ? -travel : travel);
    if (!gcode_feed_begin(&f, origin, goal, has_goal, speed, acceleration)) {
        assert(fabs(speed) < GCODE_SPEED_MIN_MM_S || acceleration < GCODE_ACCELERATION_MIN_MM_S2 ||
               (has_goal && travel == 0));
        return;
    }
    assert(fabs(gcode_feed_position(&f, 0) - (double)origin) < 1e-6 && gcode_feed_end(&f) == origin);
    gcode_feed_fit(&f, &bench);
    assert(f.piece_s > 0 && f.ahead_s >= 2 * f.piece_s && f.ahead_s <= GCODE_AHEAD_S);
    for (int i = 0; i < b[7] && gcode_feed_next(&f, &p); i++)
        gcode_feed_take(&f, &p);
    if ((b[6] & 2) != 0)
        gcode_feed_stop(&f);
    take_pieces(&f, fabs(speed));
    if (has_goal && (b[6] & 2) == 0 && !gcode_feed_next(&f, &p))
        assert(gcode_feed_end(&f) == goal);
    if (has_goal)
        assert((goal - gcode_feed_end(&f)) * f.direction >= -1);
    if (!gcode_feed_next(&f, &p)) {
        int64_t count = f.count;
        gcode_feed_take(&f, &p);
        assert(f.count == count);
    }
    /* Long before the pieces that are kept it stands where the oldest of them begins. */
    (void)gcode_feed_position(&f, -1);
}

/* A refusal is never taken for its contrary, and blanks in front change nothing. */
static void check_answer(const struct bench_feed *bench, const char *line)
{
    enum gcode_answer answer = gcode_feed_answer(bench, line);
    const char *word = line + strspn(line, " \t");
    char more[400];
    if (answer == GCODE_ACCEPTED)
        assert(strncmp(word, bench->accepted, strlen(bench->accepted)) == 0);
    for (size_t i = 0; i < bench->refused_count; i++) {
        if (strncmp(word, bench->refused[i], strlen(bench->refused[i])) == 0)
            assert(answer == GCODE_REFUSED);
    }
    snprintf(more, sizeof more, " \t%.300s", line);
    assert(gcode_feed_answer(bench, more) == answer);
    /* A letter lost or another in its place makes no acceptance. */
    if (answer == GCODE_ACCEPTED)
        assert(gcode_feed_answer(bench, word + 1) != GCODE_ACCEPTED || word[1] == word[0]);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct bench_feed bench;
    char *text, *line, *rest;
    if (length < MOTION)
        return 0;
    check_motion(bytes);
    bench = (struct bench_feed){.accepted = "ok", .refused = {"error", "!!"}, .refused_count = 2};
    text = strndup((const char *)bytes + MOTION, length - MOTION);
    assert(text != NULL);
    line = strtok_r(text, "\n", &rest);
    if (line != NULL && line[0] != 0 && strlen(line) <= BENCH_FILE_WORD_MAX &&
        strchr("e! \t", line[0]) == NULL)
        snprintf(bench.accepted, sizeof bench.accepted, "%s", line);
    while (line != NULL) {
        check_answer(&bench, line);
        line = strtok_r(NULL, "\n", &rest);
    }
    free(text);
    return 0;
}
