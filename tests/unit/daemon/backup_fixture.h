/* A site with a journal, and a backup of it; for the tests of both ways. */
#ifndef DOSEWRIGHT_TESTS_BACKUP_FIXTURE_H
#define DOSEWRIGHT_TESTS_BACKUP_FIXTURE_H

#include "daemon/backup/restore.h"
#include "daemon/config/config.h"
#include "tests/unit/daemon/journal_fixture.h"

static char home[100], site_path[160], stock_path[140], file[160];
static struct config config;
static struct config_file config_files[2];

static inline void put_text(const char *where, const char *text)
{
    FILE *out = fopen(where, "w");
    ck_assert_ptr_nonnull(out);
    fputs(text, out);
    ck_assert_int_eq(fclose(out), 0);
}

static inline const char *get_text(const char *where)
{
    static char text[1 << 16];
    FILE *in = fopen(where, "r");
    if (!in) return NULL;
    text[fread(text, 1, sizeof text - 1, in)] = '\0';
    fclose(in);
    return text;
}

/* Two files of a configuration, and a journal of five records on two days. */
static inline void make_site(void)
{
    char solutions[120];
    make_dir();
    test_place(home, sizeof home, "site-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(home));
    snprintf(solutions, sizeof solutions, "%s/solutions", home);
    ck_assert_int_eq(mkdir(solutions, 0755), 0);
    snprintf(site_path, sizeof site_path, "%s/site.yaml", home);
    snprintf(stock_path, sizeof stock_path, "%s/acid.yaml", solutions);
    snprintf(file, sizeof file, "%s/copy.tar", home);
    put_text(site_path, "site: tern-hall\n");
    put_text(stock_path, "stock: acid\n");
    make_journal(5, 2);
    config_files[0] = (struct config_file){ .path = site_path };
    config_files[1] = (struct config_file){ .path = stock_path, .next = &config_files[0] };
    config = (struct config){ .site = { .key = "tern-hall" },
        .path = site_path,
        .files = &config_files[1],
        .journal_dir = dir };
}

static inline enum err save(struct backup *ret, bool over)
{
    const struct backup_saving how = { .config = &config, .path = file, .over = over, .now = now };
    return backup_save(ret, &how, &problem);
}

static inline void must_save(void)
{
    struct backup b;
    const enum err err = save(&b, true);
    ck_assert_msg(err == ERR_NONE, "%s: %s", problem.where, problem.text);
    backup_free(&b);
}

/* To be closed by close_backup. */
static inline enum err open_backup(struct backup *ret)
{
    *ret = (struct backup){ .fd = open(file, O_RDONLY | O_CLOEXEC) };
    ck_assert_int_ge(ret->fd, 0);
    return backup_open(ret, file, &problem);
}

static inline void close_backup(struct backup *b)
{
    backup_free(b);
    close(b->fd);
}

#endif
