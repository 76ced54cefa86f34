/* Lines that a simulated motion controller is given: the first byte is how many motions it queues, a zero
 * byte in place of a line is 50 ms in which nothing comes. */
#include "rig/simulator/pair_controller.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define POSITION_MAX_MM 1e6
#define LINE_S          0.003

static int answers;

static void take_answer(void *context, const char *answer)
{
    (void)context;
    /* What nipbench-capture takes for an acceptance or a refusal, on one line. */
    assert(strcmp(answer, "ok") == 0 || strncmp(answer, "error: ", 7) == 0);
    assert(strpbrk(answer, "\r\n") == NULL);
    answers++;
}

static void check(const struct pair_controller *c)
{
    double at_mm = pair_controller_position_mm(c), planned_mm = c->from_mm;
    for (int i = 0; i < c->count; i++)
        planned_mm += c->queue[i].way_mm;
    /* What is planned is where the motions that are queued lead. */
    assert(fabs(planned_mm - c->planned_mm) <= 1e-6);
    assert(c->count >= 0 && c->count <= c->blocks && c->waiting_count >= 0 &&
           c->waiting_count <= PAIR_WAITING_MAX);
    assert(isfinite(at_mm) && fabs(at_mm) <= 2 * POSITION_MAX_MM && fabs(c->planned_mm) <= POSITION_MAX_MM);
    assert(pair_controller_moving(c) == (c->count > 0));
    assert(c->count == 0 || (c->motor_on && c->motions_begun));
    /* Between where it stands and where the motion in hand ends. */
    if (c->count > 0)
        assert((at_mm - c->from_mm) * (c->from_mm + c->queue[0].way_mm - at_mm) >= -1e-9);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct pair_controller c;
    double now_s = 0, stood_mm;
    int given = 0;
    char *text, *line, *rest;
    if (length < 2)
        return 0;
    answers = 0;
    pair_controller_begin(&c, 1 + bytes[0] % PAIR_BLOCKS_MAX, take_answer, NULL);
    text = malloc(length);
    assert(text != NULL);
    memcpy(text, bytes + 1, length - 1);
    text[length - 1] = 0;
    for (size_t i = 0; i + 1 < length; i++)
        if (text[i] == 0)
            text[i] = '\t';
    for (line = strtok_r(text, "\r\n", &rest); line != NULL; line = strtok_r(NULL, "\r\n", &rest)) {
        if (line[0] == '\t') {
            now_s += 0.05;
            pair_controller_advance(&c, now_s);
        } else {
            now_s += LINE_S;
            pair_controller_line(&c, now_s, line);
            given++;
        }
        check(&c);
        /* Nothing is answered twice, and what waits has not been answered. */
        assert(answers + c.waiting_count <= given);
    }
    /* A stop stands at once where it is, throws away the rest, and is answered. */
    stood_mm = pair_controller_position_mm(&c);
    answers = 0;
    pair_controller_line(&c, now_s, "M0");
    assert(answers >= 1 && !pair_controller_moving(&c) && c.waiting_count == 0);
    check(&c);
    assert(fabs(pair_controller_position_mm(&c) - stood_mm) <= 1e-9 * fmax(1, fabs(stood_mm)));
    pair_controller_advance(&c, now_s + 1e4);
    assert(fabs(pair_controller_position_mm(&c) - stood_mm) <= 1e-9 * fmax(1, fabs(stood_mm)));
    free(text);
    return 0;
}
