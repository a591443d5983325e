/* Runs a fuzz target over every file below the folders named on the command line: seeds and past crashes. */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static int run_file(const char *path, size_t size)
{
    FILE *in = fopen(path, "rb");
    uint8_t *data = malloc(size ? size : 1);
    if (!in || !data || fread(data, 1, size, in) != size) {
        fprintf(stderr, "cannot read '%s'\n", path);
        exit(1);
    }
    fclose(in);
    LLVMFuzzerTestOneInput(data, size);
    free(data);
    return 1;
}

static int run_folder(const char *folder)
{
    int count = 0;
    DIR *dir = opendir(folder);
    if (!dir) {
        fprintf(stderr, "cannot open folder '%s'\n", folder);
        exit(1);
    }
    for (struct dirent *entry; (entry = readdir(dir));) {
        if (entry->d_name[0] == '.')
            continue;
        char path[4096];
        snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
        struct stat st;
        if (stat(path, &st) != 0)
            continue;
        count += S_ISDIR(st.st_mode) ? run_folder(path) : run_file(path, (size_t)st.st_size);
    }
    closedir(dir);
    return count;
}

int main(int argc, char **argv)
{
    int count = 0;
    for (int k = 1; k < argc; k++)
        count += run_folder(argv[k]);
    printf("%d inputs\n", count);
    return count ? 0 : 1; /* no seed at all is a mistake */
}
