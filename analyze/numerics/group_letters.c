#include "analyze/numerics/group_letters.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LETTERS_MAX 400 /* letters in use at a time */

/* Sets of members, one for each letter: row j of in holds n flags. */
struct letters {
    size_t n, count;
    bool *in;
};

static bool *set_of(const struct letters *l, size_t j)
{
    return &l->in[j * l->n];
}

static bool is_within(const struct letters *l, size_t inner, size_t outer)
{
    for (size_t i = 0; i < l->n; i++) {
        if (set_of(l, inner)[i] && !set_of(l, outer)[i])
            return false;
    }
    return true;
}

/* Take away sets that lie in another one; of two equal ones the earlier stays. */
static void absorb(struct letters *l)
{
    for (size_t j = 0; j < l->count;) {
        bool needless = false;
        for (size_t k = 0; k < l->count && !needless; k++)
            needless = k != j && is_within(l, j, k) && (!is_within(l, k, j) || k < j);
        if (!needless) {
            j++;
            continue;
        }
        l->count--;
        memmove(set_of(l, j), set_of(l, j + 1), (l->count - j) * l->n * sizeof *l->in);
    }
}

/* No letter may join a and b: sets that hold both are split in two. False when there is no room. */
static bool split(struct letters *l, size_t a, size_t b)
{
    size_t count = l->count;
    for (size_t j = 0; j < count; j++) {
        if (!set_of(l, j)[a] || !set_of(l, j)[b])
            continue;
        if (l->count == LETTERS_MAX)
            return false;
        memcpy(set_of(l, l->count), set_of(l, j), l->n * sizeof *l->in);
        set_of(l, j)[b] = false;
        set_of(l, l->count)[a] = false;
        l->count++;
    }
    absorb(l);
    return true;
}

/* In the order of their first members, then of the next. */
static void sort(struct letters *l)
{
    for (size_t i = 1; i < l->count; i++) {
        for (size_t j = i; j > 0; j--) {
            bool *later = set_of(l, j), *earlier = set_of(l, j - 1);
            size_t k = 0;
            while (k < l->n && later[k] == earlier[k])
                k++;
            if (k == l->n || earlier[k])
                break;
            for (k = 0; k < l->n; k++) {
                bool flag = later[k];
                later[k] = earlier[k];
                earlier[k] = flag;
            }
        }
    }
}

static bool write_letters(const struct letters *l, char (*text)[GROUP_LETTERS_SIZE])
{
    for (size_t i = 0; i < l->n; i++) {
        size_t used = 0;
        text[i][0] = 0;
        for (size_t j = 0; j < l->count; j++) {
            char letter[8];
            if (!set_of(l, j)[i])
                continue;
            if (l->count <= 26)
                snprintf(letter, sizeof letter, "%c", (char)('a' + j));
            else
                snprintf(letter, sizeof letter, "%s%c%c", used > 0 ? " " : "", (char)('a' + j / 26),
                         (char)('a' + j % 26));
            if (used + strlen(letter) >= GROUP_LETTERS_SIZE)
                return false;
            used += (size_t)snprintf(text[i] + used, GROUP_LETTERS_SIZE - used, "%s", letter);
        }
    }
    return true;
}

bool group_letters(const bool *differ, size_t n, char (*text)[GROUP_LETTERS_SIZE])
{
    struct letters l = {.n = n, .count = 1, .in = calloc(LETTERS_MAX * n + 1, sizeof *l.in)};
    bool done = l.in != NULL;
    for (size_t i = 0; done && i < n; i++)
        l.in[i] = true;
    for (size_t i = 0; done && i < n; i++) {
        for (size_t j = i + 1; done && j < n; j++)
            done = !differ[i * n + j] || split(&l, i, j);
    }
    if (done) {
        sort(&l);
        done = write_letters(&l, text);
    }
    free(l.in);
    return done;
}
