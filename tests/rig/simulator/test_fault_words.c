#include "rig/simulator/fault_words.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <string.h>

Test(fault_words, every_word_lands_where_it_belongs)
{
    struct fault_plan p = {0};
    struct err e;
    cr_assert_eq(
        fault_words_read("missing=0.01,repeated=0.02,reordered=0.03,corrupted=0.04,split=0.05", &p, &e),
        ERR_OK);
    cr_assert_eq(fault_words_read("noise=0.06,host-missing=0.07,host-corrupted=1", &p, &e), ERR_OK);
    cr_assert_eq(fault_words_read("clock-start=4290000000,clock-ppm=-199.5,limits-ignored", &p, &e), ERR_OK);
    const double shares[FAULT_SHARES] = {0.01, 0.02, 0.03, 0.04, 0.05, 0.06, 0.07, 1};
    for (int i = 0; i < FAULT_SHARES; i++)
        cr_expect_eq(p.share[i], shares[i], "%s", FAULT_SHARE_WORDS[i]);
    cr_expect_eq(p.clock_start_us, 4290000000);
    cr_expect_eq(p.clock_ppm, -199.5);
    cr_expect(p.limits_ignored);
    cr_expect_eq(p.moment_count, 0);
}

Test(fault_words, timed_faults_stand_in_the_order_of_time)
{
    struct fault_plan p = {0};
    struct err e;
    cr_assert_eq(
        fault_words_read("unplugged@3.25+2.5,reboot@0,emergency-stop@7,driver-fault@4+0.125", &p, &e),
        ERR_OK);
    cr_assert_eq(
        fault_words_read("severed@1+2.25,deaf@0+8,mute@9+1,limit-switch@8.5,over-range@11+1", &p, &e),
        ERR_OK);
    static const struct fault_moment wanted[] = {{0, FAULT_REBOOT, true},
                                                 {0, FAULT_DEAF, true},
                                                 {1000000, FAULT_SEVERED, true},
                                                 {3250000, FAULT_UNPLUGGED, true},
                                                 {3250000, FAULT_SEVERED, false},
                                                 {4000000, FAULT_DRIVER_FAULT, true},
                                                 {4125000, FAULT_DRIVER_FAULT, false},
                                                 {5750000, FAULT_UNPLUGGED, false},
                                                 {7000000, FAULT_EMERGENCY_STOP, true},
                                                 {8000000, FAULT_DEAF, false},
                                                 {8500000, FAULT_LIMIT_SWITCH, true},
                                                 {9000000, FAULT_MUTE, true},
                                                 {10000000, FAULT_MUTE, false},
                                                 {11000000, FAULT_OVER_RANGE, true},
                                                 {12000000, FAULT_OVER_RANGE, false}};
    cr_assert_eq(p.moment_count, sizeof wanted / sizeof wanted[0]);
    for (size_t i = 0; i < p.moment_count; i++) {
        cr_expect_eq(p.moments[i].after_us, wanted[i].after_us, "%zu", i);
        cr_expect_eq(p.moments[i].fault, wanted[i].fault, "%zu", i);
        cr_expect_eq(p.moments[i].begins, wanted[i].begins, "%zu", i);
    }
}

Test(fault_words, what_is_no_fault_is_refused_by_name)
{
    static const struct {
        const char *list;
        const char *says;
    } cases[] = {{"", "''"},
                 {"missing", "'missing'"},
                 {"missing=0.1,", "''"},
                 {"mising=0.1", "mising"},
                 {"missing=", "missing"},
                 {"missing=1.01", "1.01"},
                 {"missing=-0.01", "-0.01"},
                 {"missing=0.1x", "0.1x"},
                 {"missing=nan", "nan"},
                 {"missing@3", "missing@"},
                 {"Missing=0.1", "Missing"},
                 {" missing=0.1", "missing"},
                 {"reboot=3", "reboot="},
                 {"reboot", "'reboot'"},
                 {"reboot@", "reboot"},
                 {"reboot@1+2", "reboot@T"},
                 {"reboot@-1", "-1"},
                 {"unplugged@1", "unplugged@T+D"},
                 {"severed@1", "severed@T+D"},
                 {"deaf@1", "deaf@T+D"},
                 {"mute@1", "mute@T+D"},
                 {"over-range@1", "over-range@T+D"},
                 {"unplugged@1+", "unplugged"},
                 {"unplugged@1+0", "unplugged"},
                 {"unplugged@one+1", "one"},
                 {"unplugged@1+2+3", "2+3"},
                 {"limits-ignored=1", "limits-ignored"},
                 {"clock-ppm=1000.1", "1000.1"},
                 {"clock-start=1.5", "1.5"},
                 {"clock-start=-1", "-1"}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        struct fault_plan p = {0};
        struct err e = {0};
        cr_expect_eq(fault_words_read(cases[c].list, &p, &e), ERR_USAGE, "%s", cases[c].list);
        cr_expect(strstr(e.text, cases[c].says) != NULL, "%s: %s", cases[c].list, e.text);
        cr_expect(strncmp(e.text, "--faults: ", 10) == 0, "%s", e.text);
    }
}

Test(fault_words, too_long_a_word_and_too_many_faults_are_refused)
{
    struct fault_plan p = {0};
    struct err e;
    char word[4000];
    memset(word, 'x', sizeof word);
    word[sizeof word - 1] = '\0';
    cr_expect_eq(fault_words_read(word, &p, &e), ERR_USAGE);
    for (int i = 0; i < FAULT_MOMENTS_MAX / 2; i++) {
        snprintf(word, sizeof word, "deaf@%d+0.5", i);
        cr_assert_eq(fault_words_read(word, &p, &e), ERR_OK);
    }
    cr_expect_eq(fault_words_read("reboot@1", &p, &e), ERR_USAGE);
    cr_expect_eq(p.moment_count, FAULT_MOMENTS_MAX);
}
