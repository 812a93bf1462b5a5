/* The tree of a configuration file, and the guards in front of it. Inputs are small on purpose:
 * each row shows one thing that must be refused, and where. */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "daemon/base/whole_file.h"
#include "daemon/config/yaml_tree.h"
#include "lib/base/prng.h"
#include "lib/base/text.h"
#include "tests/unit/support.h"

static struct arena arena;
static struct problem_list errors;

static const struct tree_node *parse_bytes(const char *bytes, size_t length)
{
    const struct tree_node *root;
    memset(&errors, 0, sizeof errors);
    const struct tree_source source = { "f.yaml", bytes, length };
    const enum err err = tree_parse(&root, &arena, source, &errors);
    ck_assert((err == ERR_NONE) == (root != NULL));
    ck_assert((errors.count == 0) == (err == ERR_NONE));
    return root;
}

static const struct tree_node *parse(const char *text)
{
    return parse_bytes(text, strlen(text));
}

START_TEST(a_mapping_keeps_its_order_its_texts_and_its_positions)
{
    const struct tree_node *root = parse("a: 1\nb:\n  c: \"x y\"\n  d: [p, 'q']\n...\n");
    ck_assert_ptr_nonnull(root);
    ck_assert_int_eq(root->kind, TREE_MAP);
    ck_assert_uint_eq(root->count, 2);
    const struct tree_node *a = tree_get(root, "a"), *b = tree_get(root, "b");
    ck_assert_str_eq(a->text, "1");
    ck_assert(!a->quoted);
    ck_assert_uint_eq(a->line, 1);
    ck_assert_uint_eq(a->column, 4);
    ck_assert_ptr_eq(a->next, b);
    const struct tree_node *c = tree_get(b, "c"), *d = tree_get(b, "d");
    ck_assert_str_eq(c->text, "x y");
    ck_assert(c->quoted);
    ck_assert_uint_eq(c->key_line, 3);
    ck_assert_uint_eq(c->key_column, 3);
    ck_assert_ptr_eq(c->parent, b);
    ck_assert_int_eq(d->kind, TREE_LIST);
    ck_assert_uint_eq(d->count, 2);
    ck_assert_str_eq(d->last->text, "q");
    ck_assert_uint_eq(d->last->index, 1);
    ck_assert_uint_eq(d->last->line, 4);
    ck_assert_uint_eq(d->last->column, 10);
    ck_assert_ptr_null(tree_get(root, "z"));
    ck_assert_ptr_null(tree_get(a, "a"));
    ck_assert_ptr_null(tree_get(NULL, "a"));
}
END_TEST

struct refusal {
    const char *text, *where, *what;
};

static const struct refusal refusals[] = {
    { "a: 1\n", "f.yaml:2:1", "end marker" },
    { "a: 100", "f.yaml:2:1", "end marker" },
    { "a: 1\n..", "f.yaml:3:1", "not YAML" },
    { "", "f.yaml:1:1", "empty" },
    { "# only a comment\n", "f.yaml:2:1", "empty" },
    { "a: 1\n...\nb: 2\n...\n", "f.yaml:3:1", "" },
    { "a: 1\n---\nb: 2\n...\n", "f.yaml:2:1", "end marker" },
    { "a: 1\n...\n---\nb: 2\n...\n", "f.yaml:3:1", "follows the end marker" },
    { "a: &x 1\n...\n", "f.yaml:1:4", "anchors" },
    { "a: &x [1]\n...\n", "f.yaml:1:4", "anchors" },
    { "a: &x {b: 1}\n...\n", "f.yaml:1:4", "anchors" },
    { "&x a: 1\n...\n", "f.yaml:1:1", "anchors" },
    { "a: *x\n...\n", "f.yaml:1:4", "aliases" },
    { "a: !!str 1\n...\n", "f.yaml:1:4", "tags" },
    { "a: !x [1]\n...\n", "f.yaml:1:4", "tags" },
    { "a: ! 1\n...\n", "f.yaml:1:4", "tags" },
    { "!x a: 1\n...\n", "f.yaml:1:1", "tags" },
    { "<<: {a: 1}\n...\n", "f.yaml:1:1", "merge" },
    { "%YAML 1.1\n---\na: 1\n...\n", "f.yaml:1:1", "directives" },
    { "%TAG ! tag:x,2000:\n---\na: 1\n...\n", "f.yaml:1:1", "directives" },
    { "a: 1\nb: 2\na: 3\n...\n", "f.yaml:3:1", "second time; it was first said in line 1" },
    { "a: {b: 1, b: 2}\n...\n", "f.yaml:1:11", "second time" },
    { "? [a]\n: 1\n...\n", "f.yaml:1:3", "a key must be plain text" },
    { "? {a: 1}\n: 1\n...\n", "f.yaml:1:3", "a key must be plain text" },
    { "\"\": 1\n...\n", "f.yaml:1:1", "key is empty" },
    { "a: \"x\\0y\"\n...\n", "f.yaml:1:4", "control character" },
    { "a: \"x\\ny\"\n...\n", "f.yaml:1:4", "control character" },
    { "a: |\n  x\n  y\n...\n", "f.yaml:1:4", "control character" },
    { "\"a\\tb\": 1\n...\n", "f.yaml:1:1", "control character" },
    { "a: \"\\N\"\n...\n", "f.yaml:1:4", "control character" },
    { "a: \xff\n...\n", "f.yaml:1:4", "not UTF-8" },
    { "x: 1\na: \xc0\xaf\n...\n", "f.yaml:2:4", "not UTF-8" },
    { "\xef\xbb\xbf"
      "a: 1\n...\n",
        "f.yaml:1:1", "byte order mark" },
    { "\xff\xfe"
      "a",
        "f.yaml:1:1", "UTF-16" },
    { "\xfe\xff"
      "a",
        "f.yaml:1:1", "UTF-16" },
    { "a: [1, 2\n...\n", "f.yaml:2:1", "not YAML" },
    { "a: b: c\n...\n", "f.yaml:1:5", "not YAML" },
    { "a: 1\n\tb: 2\n...\n", "f.yaml:2:1", "not YAML" },
    { "a: @x\n...\n", "f.yaml:1:4", "not YAML" },
};

START_TEST(what_a_file_may_not_hold_is_refused_at_its_place)
{
    const struct refusal *r = &refusals[_i];
    ck_assert_ptr_null(parse(r->text));
    ck_assert_uint_eq(errors.count, 1);
    ck_assert_msg(strcmp(errors.item[0].where, r->where) == 0, "%s: found %s, not %s (%s)", r->text,
        errors.item[0].where, r->where, errors.item[0].text);
    ck_assert_msg(strstr(errors.item[0].text, r->what), "%s: %s", r->text, errors.item[0].text);
}
END_TEST

START_TEST(every_duplicate_is_listed)
{
    ck_assert_ptr_null(parse("a: 1\na: 2\nb: {c: 1, c: 2}\nb: 3\n...\n"));
    ck_assert_uint_eq(errors.count, 3);
}
END_TEST

START_TEST(blank_lines_and_comments_may_follow_the_end)
{
    ck_assert_ptr_nonnull(parse("---\na: 1\n...\n\n# the end\n  \n"));
}
END_TEST

START_TEST(a_nul_byte_is_refused)
{
    static const char text[] = "a: 1\nb: x\0y\n...\n";
    ck_assert_ptr_null(parse_bytes(text, sizeof text - 1));
    ck_assert_str_eq(errors.item[0].where, "f.yaml:2:5");
}
END_TEST

static void add_times(struct text *t, const char *what, int times)
{
    for (int i = 0; i < times; i++) {
        text_add(t, what);
    }
}

static const struct tree_node *parse_nested(int levels)
{
    char bytes[256];
    struct text t = text_over(bytes, sizeof bytes);
    add_times(&t, "[", levels);
    add_times(&t, "]", levels);
    text_add(&t, "\n...\n");
    return parse(bytes);
}

START_TEST(sixteen_levels_are_allowed_and_seventeen_are_not)
{
    ck_assert_ptr_nonnull(parse_nested(16));
    ck_assert_ptr_null(parse_nested(17));
    ck_assert_str_eq(errors.item[0].where, "f.yaml:1:17");
}
END_TEST

static int64_t processor_ms(void)
{
    return (int64_t)clock() * 1000 / CLOCKS_PER_SEC;
}

START_TEST(a_quarter_megabyte_of_brackets_costs_no_time)
{
    static char text[TREE_BYTES_MAX];
    memset(text, _i == 0 ? '[' : '{', sizeof text);
    const int64_t before = processor_ms();
    ck_assert_ptr_null(parse_bytes(text, sizeof text));
    ck_assert_int_lt(processor_ms() - before, 1000);
}
END_TEST

static char large[TREE_BYTES_MAX];

START_TEST(many_keys_and_many_entries_are_bounded)
{
    struct text t = text_over(large, sizeof large);
    for (int i = 0; i < TREE_CHILDREN_MAX; i++) {
        text_add_char(&t, 'k');
        text_add_int(&t, i);
        text_add(&t, ": 1\n");
    }
    struct text more = t;
    text_add(&t, "...\n");
    const struct tree_node *root = parse(large);
    ck_assert_ptr_nonnull(root);
    ck_assert_uint_eq(root->count, TREE_CHILDREN_MAX);
    text_add(&more, "more: 1\n...\n");
    ck_assert(!more.cut);
    ck_assert_ptr_null(parse(large));
    ck_assert_int_eq(errors.item[0].err, ERR_FULL);
}
END_TEST

START_TEST(the_number_of_events_is_bounded)
{
    struct text t = text_over(large, sizeof large);
    for (int i = 0; i < 40; i++) { /* 40 lists of 2000 are more than 65536 */
        text_add_char(&t, 'k');
        text_add_int(&t, i);
        text_add(&t, ": [");
        add_times(&t, "1,", 2000);
        text_add(&t, "]\n");
    }
    text_add(&t, "...\n");
    ck_assert(!t.cut);
    ck_assert_ptr_null(parse(large));
    ck_assert_int_eq(errors.item[0].err, ERR_FULL);
    ck_assert_ptr_nonnull(strstr(errors.item[0].text, "65536"));
}
END_TEST

static const struct tree_node *parse_text_of(int bytes)
{
    char whole_text[400];
    struct text t = text_over(whole_text, sizeof whole_text);
    text_add(&t, "a: ");
    add_times(&t, "x", bytes);
    text_add(&t, "\n...\n");
    return parse(whole_text);
}

START_TEST(a_text_of_256_bytes_is_allowed_and_one_more_is_not)
{
    ck_assert_ptr_nonnull(parse_text_of(256));
    ck_assert_ptr_null(parse_text_of(257));
    ck_assert_str_eq(errors.item[0].where, "f.yaml:1:4");
}
END_TEST

static const char whole[] = "site: x\nlist: [1, {a: b}, \"c\"]\nmap:\n  d: 100\n  e: 'f'\n...\n";

START_TEST(a_file_cut_short_anywhere_is_refused)
{
    for (size_t length = 0; length < sizeof whole - 1; length++) {
        const bool complete = length >= sizeof whole - 2; /* only the last line feed is gone */
        ck_assert_msg((parse_bytes(whole, length) != NULL) == complete, "cut at %zu", length);
    }
}
END_TEST

START_TEST(no_change_of_bytes_breaks_the_reader) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i);
    static const char spice[] = "[]{}:,-?&*!|>'\"%@`#\n\t \0\xff\xc2.";
    char text[sizeof whole];
    for (int n = 0; n < 400; n++) {
        memcpy(text, whole, sizeof whole);
        for (int k = 0; k < 4; k++) {
            const size_t at = (size_t)prng_below(&prng, sizeof whole - 1);
            text[at] = spice[prng_below(&prng, sizeof spice - 1)];
        }
        (void)parse_bytes(text, sizeof whole - 1);
        arena_free(&arena);
    }
}
END_TEST

START_TEST(a_long_path_loses_its_beginning_and_not_its_line)
{
    char long_path[400], where[PROBLEM_WHERE_MAX];
    struct text t = text_over(long_path, sizeof long_path);
    add_times(&t, "d", 300);
    text_add(&t, "/site.yaml");
    tree_where(where, long_path, 123456, 789);
    ck_assert_uint_eq(strlen(where), PROBLEM_WHERE_MAX - 1);
    ck_assert_int_eq(strncmp(where, "...", 3), 0);
    ck_assert_str_eq(
        where + strlen(where) - strlen("/site.yaml:123456:789"), "/site.yaml:123456:789");
}
END_TEST

/* --- files -------------------------------------------------------------------------------------
 */

static char dir[64];
static char path[80];

static void make_dir(void)
{
    test_place(dir, sizeof dir, "tree-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
    snprintf(path, sizeof path, "%s/f", dir);
}

static void write_file(const char *bytes, size_t length, mode_t mode)
{
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    ck_assert_uint_eq(fwrite(bytes, 1, length, f), length);
    ck_assert_int_eq(fclose(f), 0);
    ck_assert_int_eq(chmod(path, mode), 0);
}

static void remove_dir(void)
{
    char other[96];
    unlink(path);
    snprintf(other, sizeof other, "%s/g", dir);
    unlink(other);
    rmdir(dir);
}

static enum err read_it(struct whole_file *file, struct problem *problem)
{
    return whole_file_read(file, &arena, path, problem);
}

START_TEST(a_file_is_read_whole)
{
    struct whole_file file;
    struct problem problem;
    make_dir();
    write_file("a: 1\n...\n", 9, 0640);
    ck_assert_int_eq(read_it(&file, &problem), ERR_NONE);
    ck_assert_uint_eq(file.length, 9);
    ck_assert_str_eq(file.bytes, "a: 1\n...\n");
    ck_assert(!file.group_writable);
    write_file("", 0, 0660);
    ck_assert_int_eq(read_it(&file, &problem), ERR_NONE);
    ck_assert_uint_eq(file.length, 0);
    ck_assert(file.group_writable);
    remove_dir();
}
END_TEST

START_TEST(links_pipes_folders_and_files_for_everyone_are_refused)
{
    struct whole_file file;
    struct problem problem;
    make_dir();
    ck_assert_int_eq(read_it(&file, &problem), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.text, "No such file"));

    write_file("x", 1, 0646);
    ck_assert_int_eq(read_it(&file, &problem), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.text, "everyone"));

    char other[96];
    snprintf(other, sizeof other, "%s/g", dir);
    chmod(path, 0600);
    ck_assert_int_eq(rename(path, other), 0);
    ck_assert_int_eq(symlink(other, path), 0);
    ck_assert_int_eq(read_it(&file, &problem), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.text, "link"));

    unlink(path);
    ck_assert_int_eq(mkfifo(path, 0600), 0);
    ck_assert_int_eq(read_it(&file, &problem), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.text, "not a regular file"));
    unlink(path);
    ck_assert_int_eq(whole_file_read(&file, &arena, dir, &problem), ERR_IO);
    remove_dir();
}
END_TEST

START_TEST(a_file_may_have_256_kib_and_not_one_byte_more)
{
    static char bytes[WHOLE_FILE_MAX + 1];
    struct whole_file file;
    struct problem problem;
    memset(bytes, '#', sizeof bytes);
    make_dir();
    write_file(bytes, WHOLE_FILE_MAX, 0600);
    ck_assert_int_eq(read_it(&file, &problem), ERR_NONE);
    ck_assert_uint_eq(file.length, WHOLE_FILE_MAX);
    write_file(bytes, WHOLE_FILE_MAX + 1, 0600);
    ck_assert_int_eq(read_it(&file, &problem), ERR_FULL);
    remove_dir();
    memset(&errors, 0, sizeof errors);
    ck_assert_ptr_null(parse_bytes(bytes, WHOLE_FILE_MAX + 1));
}
END_TEST

/* A writer that keeps appending: either the reader gets a whole state or it says that it changed.
 */
START_TEST(a_file_that_changes_under_the_reader_is_noticed)
{
    static char bytes[64 * 1024];
    struct whole_file file;
    struct problem problem = { 0 };
    memset(bytes, '#', sizeof bytes);
    make_dir();
    write_file(bytes, sizeof bytes, 0600);
    const pid_t writer = fork();
    if (writer == 0) {
        FILE *f = fopen(path, "r+");
        for (int i = 0; f && i < 200000; i++) {
            rewind(f);
            fputc('a' + i % 26, f);
            fflush(f);
        }
        _exit(0);
    }
    bool noticed = false;
    for (int i = 0; i < 20000 && !noticed; i++) {
        noticed = read_it(&file, &problem) == ERR_IO;
        arena_free(&arena);
    }
    kill(writer, SIGKILL);
    ck_assert_int_eq(waitpid(writer, NULL, 0), writer);
    remove_dir();
    ck_assert(noticed);
    ck_assert_ptr_nonnull(strstr(problem.text, "changed"));
}
END_TEST

static void free_arena(void)
{
    arena_free(&arena);
}

int main(void)
{
    TCase *c = tcase_create("yaml_tree");
    tcase_add_checked_fixture(c, NULL, free_arena);
    tcase_set_timeout(c, 30);
    tcase_add_test(c, a_mapping_keeps_its_order_its_texts_and_its_positions);
    tcase_add_loop_test(c, what_a_file_may_not_hold_is_refused_at_its_place, 0,
        (int)(sizeof refusals / sizeof *refusals));
    tcase_add_test(c, every_duplicate_is_listed);
    tcase_add_test(c, blank_lines_and_comments_may_follow_the_end);
    tcase_add_test(c, a_nul_byte_is_refused);
    tcase_add_test(c, sixteen_levels_are_allowed_and_seventeen_are_not);
    tcase_add_loop_test(c, a_quarter_megabyte_of_brackets_costs_no_time, 0, 2);
    tcase_add_test(c, many_keys_and_many_entries_are_bounded);
    tcase_add_test(c, the_number_of_events_is_bounded);
    tcase_add_test(c, a_text_of_256_bytes_is_allowed_and_one_more_is_not);
    tcase_add_test(c, a_file_cut_short_anywhere_is_refused);
    tcase_add_loop_test(c, no_change_of_bytes_breaks_the_reader, 0, 20);
    tcase_add_test(c, a_long_path_loses_its_beginning_and_not_its_line);
    tcase_add_test(c, a_file_is_read_whole);
    tcase_add_test(c, links_pipes_folders_and_files_for_everyone_are_refused);
    tcase_add_test(c, a_file_may_have_256_kib_and_not_one_byte_more);
    tcase_add_test(c, a_file_that_changes_under_the_reader_is_noticed);
    return run_case(c, "yaml_tree");
}
