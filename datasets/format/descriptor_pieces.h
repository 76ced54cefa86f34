/* A descriptor read piece by piece. The entries of "resources" are nearly all of it, and as one tree of JSON
 * values they would take many times the memory of what is kept of them, so they are read one by one, and what
 * was passed is let go. What jansson does not take, or what is not as it should be, is left to the reading of
 * the whole (descriptor_whole.h), which says why. */
#ifndef DATASETS_FORMAT_DESCRIPTOR_PIECES_H
#define DATASETS_FORMAT_DESCRIPTOR_PIECES_H

#include "datasets/format/descriptor.h"

/* The same into d and hash as descriptor_whole_read, where that gives ERR_OK. False where the file is not
 * good or, as *no_memory tells, there is no memory. The caller frees d, whatever the result. */
bool descriptor_pieces_read(const char *path, struct descriptor *d, char *hash, bool *no_memory);

#endif
