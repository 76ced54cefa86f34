/* The rows of a mapped run file, taken piece by piece: each piece is hashed and parsed while it is in the
 * cache, so that memory is read once, and several threads may take pieces in turn. */
#ifndef DATASETS_FORMAT_RUN_CSV_PIECES_H
#define DATASETS_FORMAT_RUN_CSV_PIECES_H

#include "datasets/format/file_bytes.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/run_csv_scan.h"

struct run_csv_pieces_how {
    run_csv_scan_row *strict;
    int threads;
    struct file_bytes_hasher *hasher; /* gets every byte from text to end, in order; NULL: none */
};

enum run_csv_pieces_end {
    RUN_CSV_PIECES_GOOD,
    RUN_CSV_PIECES_BAD, /* some row is not good, which is not for here to say more about */
    RUN_CSV_PIECES_NO_MEMORY
};

/* Read the rows between rows and end, the last byte of which is a line feed, into columns, which are empty;
 * text is where the file begins. The caller frees columns whatever the result. */
enum run_csv_pieces_end run_csv_pieces_read(const char *text, const char *rows, const char *end,
                                            const struct run_csv_pieces_how *how,
                                            struct run_columns *columns);

#endif
