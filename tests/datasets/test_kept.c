/* Equal things are kept once, different ones are not mixed, and several threads may ask at a time. */
#include "datasets/format/kept.h"

#include <criterion/criterion.h>
#include <pthread.h>
#include <stdio.h>
#include <string.h>

Test(kept, equal_texts_are_one)
{
    char text[] = "travel complete";
    const char *kept = kept_text(text);
    cr_assert_str_eq(kept, "travel complete");
    cr_expect_neq(kept, text, "a copy of its own");
    strcpy(text, "travel");
    cr_expect_str_eq(kept, "travel complete", "which no later change reaches");
    cr_expect_eq(kept_text("travel complete"), kept);
    cr_expect_neq(kept_text("travel complet"), kept);
    cr_expect_neq(kept_text("travel completf"), kept);
    cr_expect_neq(kept_text("travel complete "), kept);
    cr_expect_str_eq(kept_text(""), "");
    cr_expect_eq(kept_text(""), kept_text(""));
}

Test(kept, a_place_without_a_text_is_empty)
{
    cr_expect_str_eq(kept_text_or_empty(NULL), "");
    cr_expect_str_eq(kept_text_or_empty(kept_text("31.7")), "31.7");
}

#define TEXTS   500
#define THREADS 4

/* In an order that differs from thread to thread. */
static void *ask_all(void *argument)
{
    const char **kept = argument;
    for (size_t i = 0; i < TEXTS; i++) {
        size_t k = (i * 7 + (size_t)(*kept[0] - 'a') * 131) % TEXTS;
        char text[32];
        snprintf(text, sizeof text, "force limit at %zu N", k);
        kept[1 + k] = kept_text(text);
    }
    return NULL;
}

Test(kept, threads_that_ask_at_a_time_get_the_same)
{
    static const char *kept[THREADS][1 + TEXTS];
    static const char *const names[THREADS] = {"a", "b", "c", "d"};
    pthread_t ids[THREADS];
    for (size_t i = 0; i < THREADS; i++) {
        kept[i][0] = names[i];
        cr_assert_eq(pthread_create(&ids[i], NULL, ask_all, kept[i]), 0);
    }
    for (size_t i = 0; i < THREADS; i++)
        pthread_join(ids[i], NULL);
    for (size_t k = 1; k <= TEXTS; k++) {
        char text[32];
        snprintf(text, sizeof text, "force limit at %zu N", k - 1);
        cr_expect_str_eq(kept[0][k], text);
        for (size_t i = 1; i < THREADS; i++)
            cr_expect_eq(kept[i][k], kept[0][k], "thread %zu, text %zu", i, k);
    }
}

struct pair {
    int first, second;
};

static int compare_pairs(const void *a, const void *b)
{
    const struct pair *x = a, *y = b;
    return x->first != y->first ? x->first - y->first : x->second - y->second;
}

/* One store knows nothing of another. */
Test(kept, things_of_another_kind_have_a_store_of_their_own)
{
    static struct kept_store left = KEPT_STORE, right = KEPT_STORE;
    const struct pair pair = {3, 17}, other = {3, 18};
    const struct pair *kept = kept_copy(&left, &pair, sizeof pair, compare_pairs);
    cr_assert(kept != NULL && kept != &pair);
    cr_expect(kept->first == 3 && kept->second == 17);
    cr_expect_eq(kept_copy(&left, &pair, sizeof pair, compare_pairs), kept);
    cr_expect_neq(kept_copy(&left, &other, sizeof other, compare_pairs), kept);
    cr_expect_neq(kept_copy(&right, &pair, sizeof pair, compare_pairs), kept);
}
