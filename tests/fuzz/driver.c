/* The main of a fuzz target without libFuzzer: each file of a corpus, and mutations of each that are the same
 * every time.
 *
 *     fuzz_TARGET [--mutations N] [--seed S] [--dictionary FILE] FILE_OR_FOLDER...
 *
 * An input at which the program ends is kept in fuzz_TARGET.finding in the working folder. */
#include "rig/base/number.h"
#include "tests/fuzz/fuzz.h"

#include <dirent.h>
#include <fcntl.h>
#include <getopt.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define INPUT_MAX     16384
#define FILES_MAX     2000
#define WORDS_MAX     400
#define STACKED_MAX   4  /* mutations on top of one another */
#define CHUNK_MAX     96 /* bytes that one mutation removes, doubles or takes from another file */
#define INTERESTING_N 12

struct input {
    size_t length;
    uint8_t bytes[INPUT_MAX];
};

static struct input *files[FILES_MAX];
static size_t file_count;
static struct input words[WORDS_MAX];
static size_t word_count;
static struct input current;
static char finding[256];

static void say(const char *text)
{
    ssize_t written = write(STDERR_FILENO, text, strlen(text));
    (void)written; /* nobody is left to tell */
}

/* Called at AddressSanitizer's last words, and at SIGABRT, which here is an assertion or
 * UndefinedBehaviorSanitizer: with nothing but what a signal handler may call. */
static void keep_finding(void)
{
    int file = open(finding, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    if (file < 0 || write(file, current.bytes, current.length) != (ssize_t)current.length)
        return;
    close(file);
    say("the input is in ");
    say(finding);
    say("\n");
}

static void on_abort(int number)
{
    keep_finding();
    signal(number, SIG_DFL);
    raise(number);
}

void __sanitizer_set_death_callback(void (*callback)(void)) __attribute__((weak));

/* SplitMix64, as in plan_order.c. */
static uint64_t next_random(uint64_t *state)
{
    uint64_t z = *state += UINT64_C(0x9E3779B97F4A7C15);
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

/* Below n; the little that the remainder prefers low ones does no harm here. */
static size_t below(uint64_t *state, size_t n)
{
    return n == 0 ? 0 : (size_t)(next_random(state) % n);
}

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

static void remove_bytes(struct input *in, size_t at, size_t n)
{
    memmove(in->bytes + at, in->bytes + at + n, in->length - at - n);
    in->length -= n;
}

static void insert_bytes(struct input *in, size_t at, const uint8_t *bytes, size_t n)
{
    uint8_t copy[INPUT_MAX]; /* bytes may be a part of in */
    if (n > INPUT_MAX - in->length)
        return;
    memcpy(copy, bytes, n);
    memmove(in->bytes + at + n, in->bytes + at, in->length - at);
    memcpy(in->bytes + at, copy, n);
    in->length += n;
}

static void mutate(struct input *in, uint64_t *state)
{
    static const uint8_t interesting[INTERESTING_N] = {0,   '\n', '\r', ',',  '"',  '-',
                                                       '9', ' ',  0x7F, 0x80, 0xC2, 0xFF};
    const struct input *other = files[below(state, file_count)];
    size_t at = below(state, in->length + 1), n = 1 + below(state, CHUNK_MAX), from;
    switch (below(state, 9)) {
    case 0:
        if (at < in->length)
            in->bytes[at] ^= (uint8_t)(1u << below(state, 8));
        break;
    case 1:
        if (at < in->length)
            in->bytes[at] = interesting[below(state, INTERESTING_N)];
        break;
    case 2:
        if (at < in->length)
            in->bytes[at] = (uint8_t)next_random(state);
        break;
    case 3:
        remove_bytes(in, at, least(n, in->length - at));
        break;
    case 4:
        insert_bytes(in, below(state, in->length + 1), in->bytes + at, least(n, in->length - at));
        break;
    case 5:
        from = below(state, other->length);
        insert_bytes(in, at, other->bytes + from, least(n, other->length - from));
        break;
    case 6: /* the head of this one and the tail of another */
        from = below(state, other->length);
        in->length = at;
        insert_bytes(in, at, other->bytes + from, least(other->length - from, INPUT_MAX - at));
        break;
    case 7:
        if (word_count > 0) {
            const struct input *word = &words[below(state, word_count)];
            insert_bytes(in, at, word->bytes, word->length);
        }
        break;
    default:
        if (word_count > 0) {
            const struct input *word = &words[below(state, word_count)];
            remove_bytes(in, at, least(word->length, in->length - at));
            insert_bytes(in, at, word->bytes, word->length);
        }
        break;
    }
}

static bool read_file(const char *path)
{
    FILE *file = fopen(path, "rb");
    struct input *in = malloc(sizeof *in);
    if (file == NULL || in == NULL || file_count == FILES_MAX) {
        fprintf(stderr, "%s: cannot be read\n", path);
        exit(EXIT_BAD_INPUT);
    }
    in->length = fread(in->bytes, 1, INPUT_MAX, file);
    fclose(file);
    files[file_count++] = in;
    return true;
}

static int is_visible(const struct dirent *entry)
{
    return entry->d_name[0] != '.';
}

/* A file, or all files of a folder in the order of their names. */
static void read_files(const char *path)
{
    struct stat status;
    struct dirent **entries;
    int n;
    if (stat(path, &status) == 0 && !S_ISDIR(status.st_mode)) {
        read_file(path);
        return;
    }
    n = scandir(path, &entries, is_visible, alphasort);
    if (n < 0) {
        fprintf(stderr, "%s: cannot be read\n", path);
        exit(EXIT_BAD_INPUT);
    }
    for (int i = 0; i < n; i++) {
        char name[4096];
        if (snprintf(name, sizeof name, "%s/%s", path, entries[i]->d_name) < (int)sizeof name)
            read_file(name);
        free(entries[i]);
    }
    free(entries);
}

/* Lines of name="word" or "word" as libFuzzer has them: \xNN, \\ and \" are one byte. */
static void read_dictionary(const char *path)
{
    FILE *file = fopen(path, "r");
    char line[512];
    if (file == NULL) {
        fprintf(stderr, "%s: cannot be read\n", path);
        exit(EXIT_BAD_INPUT);
    }
    while (fgets(line, sizeof line, file) != NULL && word_count < WORDS_MAX) {
        struct input *word = &words[word_count];
        const char *p = strchr(line, '"');
        if (line[0] == '#' || p == NULL)
            continue;
        word->length = 0;
        for (p++; *p != 0 && *p != '"'; p++) {
            unsigned byte = (unsigned char)*p;
            if (*p == '\\' && p[1] == 'x' && sscanf(p + 2, "%2x", &byte) == 1)
                p += 3;
            else if (*p == '\\')
                byte = (unsigned char)*++p;
            word->bytes[word->length++] = (uint8_t)byte;
        }
        word_count++;
    }
    fclose(file);
}

static int64_t whole(const char *text, const char *what)
{
    struct err e = {0};
    int64_t value;
    if (number_read_int64(text, 0, INT64_C(1000000000000), what, "", &value, &e) == ERR_OK)
        return value;
    fprintf(stderr, "%s\n", e.text);
    exit(EXIT_WRONG_USE);
}

static void run(void)
{
    /* In memory of its exact length, so that AddressSanitizer sees a read past the end. */
    uint8_t *copy = malloc(current.length + (current.length == 0));
    if (copy == NULL)
        exit(EXIT_SYSTEM);
    memcpy(copy, current.bytes, current.length);
    LLVMFuzzerTestOneInput(copy, current.length);
    free(copy);
}

static void copy_input(struct input *to, const struct input *from)
{
    to->length = from->length;
    memcpy(to->bytes, from->bytes, from->length);
}

int main(int argc, char **argv)
{
    static const struct option options[] = {{"mutations", required_argument, NULL, 'm'},
                                            {"seed", required_argument, NULL, 's'},
                                            {"dictionary", required_argument, NULL, 'd'},
                                            {NULL, 0, NULL, 0}};
    int64_t mutations = 0, seed = 1, runs = 0;
    const char *slash = strrchr(argv[0], '/');
    int option;
    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
        if (option == 'm')
            mutations = whole(optarg, "--mutations");
        else if (option == 's')
            seed = whole(optarg, "--seed");
        else if (option == 'd')
            read_dictionary(optarg);
        else
            return EXIT_WRONG_USE;
    }
    for (int i = optind; i < argc; i++)
        read_files(argv[i]);
    if (file_count == 0) {
        fprintf(stderr, "no input: name files or folders\n");
        return EXIT_WRONG_USE;
    }
    snprintf(finding, sizeof finding, "%s.finding", slash == NULL ? argv[0] : slash + 1);
    signal(SIGABRT, on_abort);
    if (__sanitizer_set_death_callback != NULL)
        __sanitizer_set_death_callback(keep_finding);
    for (size_t i = 0; i < file_count; i++) {
        uint64_t state = (uint64_t)seed ^ fuzz_hash(files[i]->bytes, files[i]->length);
        copy_input(&current, files[i]);
        run();
        for (int64_t m = 0; m < mutations; m++) {
            copy_input(&current, files[i]);
            for (size_t k = 1 + below(&state, STACKED_MAX); k > 0; k--)
                mutate(&current, &state);
            run();
        }
        runs += 1 + mutations;
    }
    for (size_t i = 0; i < file_count; i++)
        free(files[i]);
    printf("%lld inputs of %zu files, seed %lld\n", (long long)runs, file_count, (long long)seed);
    return EXIT_DONE;
}
