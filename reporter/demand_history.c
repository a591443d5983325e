#include "demand.h"

#include "numeric.h"

#include <math.h>

/* Limits between the classes (Syntetos, Boylan & Croston 2005). */
#define ADI_LIMIT 1.32
#define CV2_LIMIT 0.49

enum method { CROSTON, SBA, TSB, METHODS };
static const char *const method_words[METHODS] = {"croston", "sba", "tsb"};

/*
 * A history read period by period. Croston (1972): at each demand, size and interval are smoothed by alpha;
 * the first interval counts the periods up to and including the first demand. Syntetos & Boylan (2005) take
 * half of alpha off. Teunter, Syntetos & Babai (2011) smooth the probability of a demand in every period by
 * beta, and so come down after the last one.
 */
struct reading {
    double alpha, beta;
    double size, interval, since; /* smoothed size and interval, periods since the last demand */
    double tsb_size, chance;
    double periods, demands, sum, squares; /* of all quantities so far */
};

static void start_at(struct reading *r, double quantity)
{
    r->size = r->tsb_size = quantity;
    r->interval = r->since;
    /* The probability starts at one in the first interval and is smoothed from the first period on. */
    double before = pow(1 - r->beta, r->since - 1) / r->since;
    r->chance = before + r->beta * (1 - before);
}

static void read_period(struct reading *r, double quantity)
{
    r->periods++;
    r->since++;
    r->sum += quantity;
    r->squares += quantity * quantity;
    if (quantity > 0 && r->demands++ == 0) {
        start_at(r, quantity);
    } else if (quantity > 0) {
        r->size += r->alpha * (quantity - r->size);
        r->interval += r->alpha * (r->since - r->interval);
        r->tsb_size += r->alpha * (quantity - r->tsb_size);
        r->chance += r->beta * (1 - r->chance);
    } else {
        r->chance -= r->beta * r->chance;
    }
    if (quantity > 0)
        r->since = 0;
}

static double rate_of(const struct reading *r, enum method m)
{
    if (r->demands == 0)
        return 0;
    if (m == TSB)
        return r->tsb_size * r->chance;
    double croston = r->size / r->interval;
    return m == SBA ? (1 - r->alpha / 2) * croston : croston;
}

/* Counts around a rate, as much wider than Poisson as the history is. */
static struct distribution counts_around(const struct reading *r, double rate, struct arena *mem)
{
    double mean = r->sum / r->periods, variance = r->squares / r->periods - mean * mean;
    double excess = mean > 0 ? fmax(1, variance / mean) : 1;
    return distribution_of_counts(rate, rate * excess, mem);
}

static double pinball(double quantity, double quantile, double level)
{
    return quantity >= quantile ? level * (quantity - quantile) : (1 - level) * (quantile - quantity);
}

/* Losses of the quantiles that each method would have named for the period to come. */
static void add_losses(const struct reading *r, double quantity, struct arena *scratch,
                       double losses[METHODS])
{
    static const double levels[] = {0.5, 0.9, 0.95};
    for (enum method m = CROSTON; m < METHODS; m++) {
        struct distribution d = counts_around(r, rate_of(r, m), scratch);
        for (int i = 0; i < 3; i++)
            losses[m] += pinball(quantity, distribution_quantile(&d, levels[i]), levels[i]);
    }
}

static enum demand_class class_of(double adi, double cv2, double demands)
{
    if (demands < 2)
        return DEMAND_UNDEFINED;
    if (adi < ADI_LIMIT)
        return cv2 < CV2_LIMIT ? DEMAND_SMOOTH : DEMAND_ERRATIC;
    return cv2 < CV2_LIMIT ? DEMAND_INTERMITTENT : DEMAND_LUMPY;
}

/* Squared coefficient of variation of the sizes of demands: zeros do not count. */
static double size_variation(const struct reading *r)
{
    double mean = r->sum / r->demands;
    return r->demands > 0 ? fmax(0, r->squares / r->demands - mean * mean) / (mean * mean) : D_NAN;
}

static enum method least(const double losses[METHODS])
{
    enum method best = SBA;
    for (enum method m = CROSTON; m < METHODS; m++)
        if (losses[m] < losses[best])
            best = m;
    return best;
}

void demand_from_history(const double *quantity, size_t periods, double alpha, double beta, struct arena *mem,
                         struct demand_history *out)
{
    struct reading r = {.alpha = alpha, .beta = beta};
    struct arena *scratch = arena_new((size_t)64 << 20);
    double losses[METHODS] = {0};

    for (size_t i = 0; i < periods; i++) {
        if (r.demands > 0)
            add_losses(&r, quantity[i], scratch, losses);
        read_period(&r, quantity[i]);
        arena_reset(scratch);
    }
    arena_free(scratch);

    enum method chosen = least(losses);
    *out = (struct demand_history){
        .croston = rate_of(&r, CROSTON),
        .sba = rate_of(&r, SBA),
        .tsb = rate_of(&r, TSB),
        .adi = r.demands > 0 ? r.periods / r.demands : D_NAN,
        .cv2 = size_variation(&r),
        .chosen = method_words[chosen],
        .count = counts_around(&r, rate_of(&r, chosen), mem),
    };
    out->class = class_of(out->adi, out->cv2, r.demands);
}

const char *demand_class_word(enum demand_class c)
{
    switch (c) {
    case DEMAND_SMOOTH:
        return "smooth";
    case DEMAND_ERRATIC:
        return "erratic";
    case DEMAND_INTERMITTENT:
        return "intermittent";
    case DEMAND_LUMPY:
        return "lumpy";
    case DEMAND_UNDEFINED:
        return "undefined";
    }
    BUG("no demand class %d", (int)c);
}
