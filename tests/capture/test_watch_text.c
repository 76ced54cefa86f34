/* How readings look as text. */
#include "capture/watch_text.h"
#include "rig/wire/message.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct watch_reading sound(void)
{
    return (struct watch_reading){.port = "/dev/pts/7",
                                  .rig = "R-2385",
                                  .feeder = "gear-8mm",
                                  .time_s = 12.345,
                                  .in_newtons = true,
                                  .force = 38.7251,
                                  .noise = 0.3052,
                                  .pickup_state = WATCH_PICKUP_SEEN,
                                  .pickup = 0.2137,
                                  .pickup_hz = 50,
                                  .pickup_detectable = 0.0461,
                                  .pickup_can_be_seen = {true, true, true, true},
                                  .range_low = 0,
                                  .range_high = 150,
                                  .range_at = 38.7251,
                                  .commanded_steps = 2731,
                                  .commanded_mm = 21.4384,
                                  .speed_steps_s = 0,
                                  .speed_mm_s = 0,
                                  .has_encoder = true,
                                  .encoder_counts = 4261,
                                  .encoder_mm = 21.305,
                                  .slip_mm = 0.1334,
                                  .rate_hz = 999.97,
                                  .frames_missing = 3};
}

static size_t columns_of(const char *line)
{
    size_t columns = 0;
    for (; *line != 0; line++)
        columns += ((unsigned char)*line & 0xC0u) != 0x80u;
    return columns;
}

static const struct {
    const char *legend;
    double value, low, high;
    const char *bar;
} BARS[] = {
    {"nothing", 0, 0, 100, ".........."},
    {"a third", 34, 0, 100, "###......."},
    {"all", 100, 0, 100, "##########"},
    {"more than all", 101, 0, 100, "#########>"},
    {"less than nothing", -1, 0, 100, "<........."},
    {"from the middle up", 40, -100, 100, ".....##..."},
    {"from the middle down", -100, -100, 100, "#####....."},
    {"below the range", -131, -100, 100, "<####....."},
    {"a range that does not hold zero", 175, 100, 200, "########.."},
};

Test(watch_text, bars_grow_from_the_zero)
{
    char bar[64];
    for (size_t i = 0; i < sizeof BARS / sizeof BARS[0]; i++) {
        watch_text_bar(BARS[i].value, BARS[i].low, BARS[i].high, 10, false, bar, sizeof bar);
        cr_expect_str_eq(bar, BARS[i].bar, "%s: %s", BARS[i].legend, bar);
    }
    watch_text_bar(34, 0, 100, 10, true, bar, sizeof bar);
    cr_expect_str_eq(bar, "███░░░░░░░");
}

Test(watch_text, history_is_scaled_to_what_it_holds)
{
    static const double VALUES[] = {NAN, 1, 2, 3, 4, 5, 6, 7, 8, 9, NAN};
    static const double LEVEL[] = {5, 5, 5};
    static const double NONE[] = {NAN, NAN};
    char text[64];
    double low, high;
    watch_text_spark(VALUES, 11, 0, false, text, sizeof text, &low, &high);
    cr_expect_str_eq(text, " _.:-=+*## ");
    cr_expect_eq(low, 1);
    cr_expect_eq(high, 9);
    watch_text_spark(VALUES, 11, 0, true, text, sizeof text, &low, &high);
    cr_expect_str_eq(text, " ▁▂▃▄▅▆▇██ ");
    watch_text_spark(LEVEL, 3, 2, false, text, sizeof text, &low, &high);
    cr_expect_str_eq(text, "===");
    cr_expect_eq(low, 4);
    cr_expect_eq(high, 6);
    watch_text_spark(LEVEL, 3, 0, false, text, sizeof text, &low, &high);
    cr_expect_str_eq(text, "___");
    watch_text_spark(NONE, 2, 1, false, text, sizeof text, &low, &high);
    cr_expect_str_eq(text, "  ");
}

Test(watch_text, rows_stand_under_their_header)
{
    struct watch_reading r = sound();
    char header[WATCH_TEXT_ROW_BYTES], row[WATCH_TEXT_ROW_BYTES];
    watch_text_header(&r, header, sizeof header);
    cr_expect_str_eq(header,
                     "  time_s      force_n      noise_n      mains_n mains_hz  feed_steps    feed_mm  "
                     "     encoder    slip_mm   rate_hz   missing  flags");
    watch_text_row(&r, row, sizeof row);
    cr_expect_str_eq(row, "    12.3       38.725        0.305        0.214       50        2731     21.438  "
                          "        4261      0.133    1000.0         3  none");
    r.in_newtons = false;
    r.has_encoder = false;
    r.force = -8388608;
    r.noise = r.slip_mm = r.commanded_mm = r.rate_hz = NAN;
    r.pickup_state = WATCH_PICKUP_BELOW_NOISE;
    r.flags = WIRE_FLAG_OVER_RANGE | WIRE_FLAG_EMERGENCY_STOP;
    watch_text_header(&r, header, sizeof header);
    cr_expect_not_null(strstr(header, " force_counts noise_counts mains_counts "));
    watch_text_row(&r, row, sizeof row);
    cr_expect_str_eq(row, "    12.3     -8388608            -            -        -        2731          -  "
                          "           -          -         -         3  over range, emergency stop");
    r.force = -0.2;
    watch_text_row(&r, row, sizeof row);
    cr_expect_not_null(strstr(row, "            0 "), "no minus zero: %s", row);
}

Test(watch_text, what_is_not_known_is_null_in_json)
{
    struct watch_reading r = sound();
    json_t *o = watch_text_json(&r);
    cr_assert_not_null(o);
    cr_expect_float_eq(json_real_value(json_object_get(o, "force")), 38.7251, 1e-12);
    cr_expect_str_eq(json_string_value(json_object_get(o, "force_unit")), "N");
    cr_expect_float_eq(json_real_value(json_object_get(o, "mains_amplitude")), 0.2137, 1e-12);
    cr_expect_eq(json_integer_value(json_object_get(o, "encoder_counts")), 4261);
    cr_expect_eq(json_array_size(json_object_get(o, "flags")), 0);
    json_decref(o);
    r.pickup_state = WATCH_PICKUP_CANNOT;
    r.slip_mm = r.noise = NAN;
    r.has_encoder = false;
    r.flags = WIRE_FLAG_DRIVER_FAULT | WIRE_FLAG_LIMIT_SWITCH;
    o = watch_text_json(&r);
    cr_assert_not_null(o);
    cr_expect(json_is_null(json_object_get(o, "slip_mm")));
    cr_expect(json_is_null(json_object_get(o, "noise_sd")));
    cr_expect(json_is_null(json_object_get(o, "mains_amplitude")));
    cr_expect(json_is_null(json_object_get(o, "encoder_counts")));
    cr_expect_str_eq(json_string_value(json_object_get(o, "mains")), "cannot be seen at this sample rate");
    cr_expect_str_eq(json_string_value(json_array_get(json_object_get(o, "flags"), 1)), "limit switch");
    json_decref(o);
}

static char lines[WATCH_TEXT_LINES_MAX][WATCH_TEXT_LINE_BYTES];

/* Draw r with a history that rises; whether a line is words. */
static size_t draw(const struct watch_reading *r, int columns, int rows)
{
    double history[WATCH_SUMS_HISTORY_STEPS];
    size_t count = watch_text_history_columns(columns);
    for (size_t i = 0; i < count; i++)
        history[i] = (double)i;
    return watch_text_picture(r, history, count, columns, rows, true, true, lines);
}

static bool has(size_t count, const char *line)
{
    for (size_t i = 0; i < count; i++) {
        if (strcmp(lines[i], line) == 0)
            return true;
    }
    return false;
}

Test(watch_text, the_picture_fits_any_terminal)
{
    struct watch_reading r = sound();
    for (int odd = 0; odd < 3; odd++) {
        if (odd == 1) {
            r.force = r.range_at = r.noise = r.pickup = NAN;
            r.feeder = "";
        }
        if (odd == 2) {
            r.force = r.range_at = -2147483648.0;
            r.in_newtons = false;
            r.range_low = -2147483648.0;
            r.range_high = 2147483647.0;
            r.commanded_mm = NAN;
            r.commanded_steps = INT32_MIN;
            r.flags = 15;
        }
        for (int columns = 1; columns <= WATCH_TEXT_COLUMNS_MAX; columns++) {
            for (int rows = 1; rows <= 20; rows += 3) {
                size_t count = draw(&r, columns, rows);
                cr_assert_leq(count, (size_t)rows);
                cr_assert_geq(count, 1);
                for (size_t i = 0; i < count; i++)
                    cr_assert_leq(columns_of(lines[i]), (size_t)columns, "%d columns: %s", columns, lines[i]);
            }
        }
    }
}

Test(watch_text, the_picture_says_it_in_words)
{
    struct watch_reading r = sound();
    size_t count = draw(&r, 79, 24);
    cr_expect_eq(count, 13);
    cr_expect(has(count, "/dev/pts/7  R-2385  gear-8mm"));
    cr_expect(has(count, "force          38.725 N"));
    cr_expect(has(count, "mains           0.214 N at 50 Hz"));
    cr_expect(has(count, "feed           21.438 mm      0.000 mm/s       2731 steps"));
    cr_expect(has(count, "encoder        21.305 mm       4261 counts"));
    cr_expect(has(count, "slip            0.133 mm"));
    cr_expect(has(count, "samples        1000.0 Hz"));
    cr_expect(has(count, "missing             3 frames"));
    cr_expect(has(count, "flags            none"));
    cr_expect(has(count, "nothing moves: never armed   z zero   q quit"));
    r.pickup_state = WATCH_PICKUP_CANNOT;
    r.slip_state = WATCH_SLIP_NO_FEED;
    r.slip_mm = NAN;
    r.flags = WIRE_FLAG_LIMIT_SWITCH | WIRE_FLAG_OVER_RANGE;
    r.zero = 2.385;
    count = draw(&r, 79, 24);
    cr_expect(has(count, "force          38.725 N   zero at 2.385"));
    cr_expect(has(count, "mains     cannot be seen at this sample rate"));
    cr_expect(has(count, "slip                - feed not measured"));
    cr_expect(has(count, "flags     over range, limit switch"));
    r.pickup_state = WATCH_PICKUP_BELOW_NOISE;
    r.pickup_can_be_seen[3] = false;
    r.slip_state = WATCH_SLIP_NO_ENCODER;
    r.has_encoder = false;
    count = draw(&r, 79, 24);
    cr_expect(has(count, "mains           0.046 N or less; 120 Hz not at this sample rate"));
    cr_expect(has(count, "slip                - without an encoder"));
    cr_expect(has(count, "encoder          none"));
}

Test(watch_text, what_a_rig_calls_itself_cannot_reach_the_terminal)
{
    struct watch_reading r = sound();
    r.rig = "R\033[2J\r\n";
    r.feeder = "\xff\x9b";
    draw(&r, 79, 24);
    cr_expect_str_eq(lines[0], "/dev/pts/7  R?[2J??  ??");
}
