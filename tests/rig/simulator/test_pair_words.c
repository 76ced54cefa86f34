#include "rig/simulator/pair_words.h"

#include <criterion/criterion.h>
#include <string.h>

Test(pair_words, a_list_is_read)
{
    struct pair_plan p = pair_plan_default();
    struct err e;
    cr_assert_eq(
        pair_words_read("rate=20,unit=kgf,poll,blocks=8,microsteps-per-mm=127.5,comma@0,error@2.5", &p, &e),
        ERR_OK, "%s", e.text);
    cr_expect_float_eq(p.rate_hz, 20, 1e-12);
    cr_expect_eq(p.unit, PAIR_UNIT_KGF);
    cr_expect(p.poll);
    cr_expect_eq(p.blocks, 8);
    cr_expect_float_eq(p.microsteps_per_mm, 127.5, 1e-12);
    for (int i = 0; i < PAIR_TROUBLES; i++)
        cr_expect_eq(p.troubled[i], i == PAIR_COMMA || i == PAIR_ERROR, "%s", PAIR_TROUBLE_WORDS[i]);
    cr_expect_float_eq(p.after_s[PAIR_ERROR], 2.5, 1e-12);
}

Test(pair_words, what_is_no_word_is_named)
{
    static const char *const LISTS[][2] = {
        {"rate=0", "outside 1 to 200"},  {"unit=kg", "'kg' is none of"},
        {"polled", "no 'polled'"},       {"speed=3", "no 'speed='"},
        {"commas@1", "no 'commas@'"},    {"comma@-1", "outside 0"},
        {"comma@x", "not a number"},     {"rate=20,,poll", "there is no ''"},
        {"blocks=17", "outside 1 to 16"}};
    for (size_t i = 0; i < sizeof LISTS / sizeof LISTS[0]; i++) {
        struct pair_plan p = pair_plan_default();
        struct err e;
        cr_expect_eq(pair_words_read(LISTS[i][0], &p, &e), ERR_USAGE, "%s", LISTS[i][0]);
        cr_expect_not_null(strstr(e.text, LISTS[i][1]), "%s: %s", LISTS[i][0], e.text);
    }
}
