#include "base/arena.h"
#include "base/clock.h"

#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* A moment that is read is written in one form, which reads as the same moment. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct arena *mem = arena_new(SIZE_MAX);
    const char *text = arena_strndup(mem, (const char *)data, size);
    int64_t us, again;
    int32_t day, day_again;
    bool no_zone = false;
    char form[TIME_TEXT], day_form[DAY_TEXT];

    if (time_parse(text, &us, &no_zone)) {
        time_format(us, form);
        /* An offset can lead out of the four-digit years; there is no form for that. */
        if (us >= day_start_us(-719528) && us < day_start_us(2932897) &&
            (!time_parse(form, &again, &no_zone) || again != us || no_zone))
            BUG("'%s' gives '%s'", text, form);
    }
    if (day_parse(text, &day)) {
        day_format(day, day_form);
        if (!day_parse(day_form, &day_again) || day_again != day || day_of(day_start_us(day)) != day)
            BUG("'%s' gives '%s'", text, day_form);
    }
    arena_free(mem);
    return 0;
}
