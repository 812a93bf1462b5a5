/* What the fuzz targets share. A target is a file <name>_fuzz.c with the one entry point that
 * libFuzzer calls; replay.c gives the same file a main that goes through the kept inputs, for any
 * compiler. docs/fuzzing.md tells what each target covers and what it holds against what. */
#ifndef DOSEWRIGHT_TESTS_FUZZ_H
#define DOSEWRIGHT_TESTS_FUZZ_H

#include <stddef.h>
#include <stdint.h>

#include "daemon/config/config.h"
#include "lib/base/invariant.h"

/* One input. It must not keep anything for the next one: a find has to replay by itself. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* What must be so whatever the input was. */
#define HOLDS(x) ((x) ? (void)0 : invariant_broken(__FILE__, __LINE__, #x))

/* The input as it is being read. */
struct bites {
    const uint8_t *at, *end;
};

/* The next byte; 0 when there is none left. */
uint8_t bites_byte(struct bites *b);

/* Up to the next 'stop', which is skipped, or all that is left; copied to the heap without a byte
 * more, so that the sanitizer watches its end. The caller frees it. */
char *bites_until(struct bites *b, char stop, size_t *ret_length);

/* A copy on the heap of exactly these bytes; of those and a NUL. */
char *fuzz_exact(const void *bytes, size_t length);
char *fuzz_string(const void *bytes, size_t length);

/* A folder of this process's own, in memory where there is room for it; it goes with the process.
 */
const char *fuzz_folder(void);

/* "<folder>/<name>" in a buffer that the next call uses again. */
const char *fuzz_path(const char *name);

/* A file in that folder, written anew. */
void fuzz_write(const char *name, const void *bytes, size_t length);

/* Copies a file or a folder of the source tree ("config/solutions") into that folder, under its
 * last name. */
void fuzz_take(const char *source);

/* The site that most targets know: tests/fuzz/site.yaml, read once and kept. */
const struct config *fuzz_site(void);

/* The site 'site' of tests/fuzz/site with the input as its file 'name' ("site/crop.yaml"), loaded
 * whole twice; NULL when it was refused. What is held of every configuration is held of this one.
 * The caller frees it. */
struct config *fuzz_load(const char *site, const char *name, const uint8_t *data, size_t size);

/* Gives a record that was written without header and hash ({"kind":"flushed","tank":"bench"}) both,
 * as the next one of a chain, into 'line' with its line feed; false when it is no record. */
struct link_tip;
struct text;
bool fuzz_seal(struct link_tip *tip, const char *bytes, size_t length, struct text *line);

#endif
