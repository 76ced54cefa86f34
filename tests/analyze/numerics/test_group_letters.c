#include "analyze/numerics/group_letters.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <string.h>

#define MEMBERS 14

static void separate(bool *differ, size_t n, size_t i, size_t j)
{
    differ[i * n + j] = differ[j * n + i] = true;
}

static void expect_letters(const bool *differ, size_t n, const char *const *expected)
{
    char text[MEMBERS][GROUP_LETTERS_SIZE];
    cr_assert(group_letters(differ, n, text));
    for (size_t i = 0; i < n; i++)
        cr_expect_str_eq(text[i], expected[i], "member %zu: %s, expected %s", i, text[i], expected[i]);
}

Test(group_letters, all_alike_share_one_and_all_different_share_none)
{
    static const char *const alike[] = {"a", "a", "a", "a"}, *const different[] = {"a", "b", "c", "d"};
    bool differ[16] = {false};
    expect_letters(differ, 4, alike);
    for (size_t i = 0; i < 4; i++) {
        for (size_t j = i + 1; j < 4; j++)
            separate(differ, 4, i, j);
    }
    expect_letters(differ, 4, different);
    cr_expect(group_letters(NULL, 0, NULL));
}

/* `PlantGrowth` of R by Tukey's test at 5 %: only the second treatment differs from the first. In the order
 * of their means: treatment 2, control, treatment 1. */
Test(group_letters, plant_growth_overlaps_in_the_middle)
{
    static const char *const expected[] = {"a", "ab", "b"};
    bool differ[9] = {false};
    separate(differ, 3, 0, 2);
    expect_letters(differ, 3, expected);
}

/* What differs need not follow the ranks: the first and second differ, the first and third do not. */
Test(group_letters, ranks_do_not_decide)
{
    static const char *const expected[] = {"a", "b", "ac", "bd", "cd"};
    bool differ[25] = {false};
    separate(differ, 5, 0, 1);
    separate(differ, 5, 0, 3);
    separate(differ, 5, 0, 4);
    separate(differ, 5, 1, 2);
    separate(differ, 5, 1, 4);
    separate(differ, 5, 2, 3);
    expect_letters(differ, 5, expected);
}

/* The members that have a letter. */
static size_t holders(char (*text)[GROUP_LETTERS_SIZE], size_t n, char letter, bool *in)
{
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        in[i] = strchr(text[i], letter) != NULL;
        count += in[i];
    }
    return count;
}

/* Random differences: two share a letter where and only where they were not shown to differ; no letter can
 * take in one more member, so none is needless; letters begin with the first members. */
Test(group_letters, letters_say_exactly_what_was_shown)
{
    struct model_random random = {.state = 20261204};
    for (int round = 0; round < 400; round++) {
        size_t n = 2 + (size_t)(model_random_uniform(&random) * (MEMBERS - 6));
        double share = model_random_uniform(&random);
        bool differ[MEMBERS * MEMBERS] = {false}, in[MEMBERS] = {false}, before[MEMBERS];
        char text[MEMBERS][GROUP_LETTERS_SIZE];
        for (size_t i = 0; i < n; i++) {
            for (size_t j = i + 1; j < n; j++) {
                if (model_random_uniform(&random) < share)
                    separate(differ, n, i, j);
            }
        }
        cr_assert(group_letters(differ, n, text));
        for (size_t i = 0; i < n; i++) {
            cr_expect(text[i][0] != 0, "a member without a letter");
            for (size_t j = i + 1; j < n; j++)
                cr_expect_eq(strpbrk(text[i], text[j]) != NULL, !differ[i * n + j], "round %d: %s %s", round,
                             text[i], text[j]);
        }
        cr_expect_eq(text[0][0], 'a');
        for (char letter = 'a'; letter <= 'z' && holders(text, n, letter, in) > 0; letter++) {
            size_t k = 0;
            while (letter > 'a' && k < n && in[k] == before[k])
                k++;
            cr_expect(letter == 'a' || (k < n && before[k]), "round %d: letter %c comes too late", round,
                      letter);
            memcpy(before, in, sizeof before);
            for (size_t i = 0; i < n; i++) {
                bool fits = !in[i];
                for (size_t j = 0; j < n; j++)
                    fits = fits && !(in[j] && differ[i * n + j]);
                cr_expect(!fits, "round %d: letter %c could take in member %zu", round, letter, i);
            }
        }
    }
}

/* Thirty members that all differ: more than 26 letters are written in twos. */
Test(group_letters, many_letters_are_written_in_twos)
{
    static bool differ[30 * 30];
    static char text[30][GROUP_LETTERS_SIZE];
    for (size_t i = 0; i < 30; i++) {
        for (size_t j = i + 1; j < 30; j++)
            separate(differ, 30, i, j);
    }
    cr_assert(group_letters(differ, 30, text));
    cr_expect_str_eq(text[0], "aa");
    cr_expect_str_eq(text[25], "az");
    cr_expect_str_eq(text[26], "ba");
    cr_expect_str_eq(text[29], "bd");
    /* The last shares a letter with each of the three before. */
    for (size_t j = 26; j < 29; j++)
        differ[29 * 30 + j] = differ[j * 30 + 29] = false;
    cr_assert(group_letters(differ, 30, text));
    cr_expect_str_eq(text[29], "ba bb bc");
}

/* Pairs of which each member goes with either of every other pair: p pairs make 2^p sets, half of which hold
 * a given member. Five pairs' sixteen letters of two bytes and a space have room, six pairs' thirty-two have
 * none, and twelve pairs are more sets than there are letters. */
Test(group_letters, letters_that_run_out_are_refused)
{
    static bool differ[24 * 24];
    static char text[24][GROUP_LETTERS_SIZE];
    static const size_t pairs[] = {5, 6, 12};
    for (size_t k = 0; k < 3; k++) {
        size_t n = 2 * pairs[k];
        memset(differ, 0, sizeof differ);
        for (size_t i = 0; i < n; i += 2)
            separate(differ, n, i, i + 1);
        cr_expect_eq(group_letters(differ, n, text), pairs[k] == 5, "%zu pairs", pairs[k]);
        if (pairs[k] == 5)
            cr_expect_eq(strlen(text[0]), 16 * 3 - 1, "%s", text[0]);
    }
}
