/* Hashing, with a libcrypto that gets no memory. */
#include "daemon/base/digest.h"

#include <openssl/crypto.h>

#include "lib/base/text.h"
#include "tests/unit/daemon/journal_fixture.h"

static bool refused; /* libcrypto gets no memory now */
static int asked;

static void *lend(size_t size, const char *file, int line)
{
    (void)file;
    (void)line;
    asked++;
    return refused ? NULL : malloc(size);
}

static void *lend_more(void *old, size_t size, const char *file, int line)
{
    (void)file;
    (void)line;
    asked++;
    return refused ? NULL : realloc(old, size);
}

static void take_back(void *block, const char *file, int line)
{
    (void)file;
    (void)line;
    free(block);
}

/* A record that was decided must not be lost, or written with a hash that isn't its own. */
START_TEST(a_record_is_hashed_without_asking_for_memory)
{
    int64_t seq = 0;
    make_dir();
    must_open();
    must_append(1);
    asked = 0;
    refused = true;
    must_append(2);
    ck_assert_int_eq(append(3, &seq), ERR_NONE);
    refused = false;
    ck_assert_int_eq(asked, 0);
    close_journal();
    scan();
    ck_assert(!report.damaged && !report.torn);
    ck_assert_int_eq(report.records, 3);
    remove_dir();
}
END_TEST

/* Examples of FIPS 180-4 as NIST publishes them: one block, and two in pieces. */
START_TEST(the_digest_over_pieces_is_that_over_the_whole)
{
    static const char words[] = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
    static const char wanted[] = "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1";
    char hex[DIGEST_HEX_MAX];
    uint8_t bytes[DIGEST_BYTES];
    refused = true;
    for (size_t cut = 0; cut < sizeof words; cut++) {
        struct load_digest *d = digest_open();
        ck_assert_ptr_nonnull(d);
        digest_add(d, words, cut);
        digest_add(d, words + cut, sizeof words - 1 - cut);
        ck_assert(digest_close(d, hex));
        ck_assert_str_eq(hex, wanted);
    }
    digest_bytes(words, sizeof words - 1, bytes);
    struct text t = text_over(hex, sizeof hex);
    text_add_hex(&t, bytes, sizeof bytes);
    ck_assert_str_eq(hex, wanted);
    refused = false;
    ck_assert(!digest_close(NULL, hex));
}
END_TEST

int main(void)
{
    if (CRYPTO_set_mem_functions(lend, lend_more, take_back) != 1) return 1;
    TCase *t = tcase_create("digest");
    tcase_add_test(t, a_record_is_hashed_without_asking_for_memory);
    tcase_add_test(t, the_digest_over_pieces_is_that_over_the_whole);
    return run_case(t, "digest");
}
