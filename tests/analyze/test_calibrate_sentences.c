#include "analyze/calibrate_sentences.h"

#include <criterion/criterion.h>
#include <string.h>

static struct calibrate_sentences list;

Test(calibrate_sentences, they_stand_in_the_order_in_which_they_were_said)
{
    calibrate_sentences_add(&list, "%d readings", 17);
    calibrate_sentences_add(&list, "of %s, %.1f N", "gear-8", 78.46);
    cr_assert_eq(list.count, 2);
    cr_expect_str_eq(list.text[0], "17 readings");
    cr_expect_str_eq(list.text[1], "of gear-8, 78.5 N");
}

Test(calibrate_sentences, a_long_one_is_cut_and_one_too_many_is_left_out)
{
    char text[CALIBRATE_SENTENCE_SIZE + 9];
    memset(text, 'w', sizeof text - 1);
    text[sizeof text - 1] = 0;
    for (int i = 0; i < CALIBRATE_SENTENCES_MAX + 1; i++)
        calibrate_sentences_add(&list, "%d%s", i, text);
    cr_assert_eq(list.count, CALIBRATE_SENTENCES_MAX);
    cr_expect_eq(strlen(list.text[0]), CALIBRATE_SENTENCE_SIZE - 1);
    cr_expect_eq(strncmp(list.text[CALIBRATE_SENTENCES_MAX - 1], "11w", 3), 0);
}
