#include "forecast.h"
#include "numeric.h"

#include <math.h>
#include <string.h>

const double forecast_ends[FORECAST_SPANS] = {7, 30, 90, 365};

/* Added to the speed's hazard for a whole span: a passage that seems impossible is not. */
static const double SPEED_FLOOR = 1e-4;

int forecast_span(double days)
{
    int span = 0;
    while (span < FORECAST_SPANS - 1 && days > forecast_ends[span])
        span++;
    return span;
}

double forecast_begin(int span)
{
    return span ? forecast_ends[span - 1] : 0;
}

double forecast_fall(double lost, double days)
{
    return lost > 0 ? 100 * lost * lost * days / 30 : 0;
}

void forecast_prior(struct combination *c)
{
    *c = (struct combination){.term = {[WITNESS_FALL] = -3}};
}

static double weight(const struct combination *c, int span, int witness)
{
    return exp(c->term[witness] + c->term[FORECAST_DEPARTURES + span * WITNESSES + witness]);
}

static void add(double gradient[FORECAST_TERMS], int span, int witness, double part)
{
    gradient[witness] += part;
    gradient[FORECAST_DEPARTURES + span * WITNESSES + witness] += part;
}

double forecast_combine(const struct combination *c, int span, double share, const double hazard[WITNESSES],
                        double gradient[FORECAST_TERMS])
{
    double sum = 0;

    for (int k = 0; k < WITNESSES; k++) {
        if (isnan(hazard[k]) || share <= 0)
            continue;
        double part = weight(c, span, k) * hazard[k];
        if (k == WITNESS_SPEED) {
            double power = exp(c->term[FORECAST_POWER]), h = hazard[k] + SPEED_FLOOR * share;
            part = weight(c, span, k) * pow(h, power);
            if (gradient)
                gradient[FORECAST_POWER] += part * power * log(h);
        }
        sum += part;
        if (gradient)
            add(gradient, span, k, part);
    }
    return sum;
}

double forecast_sum(const double hazard[WITNESSES])
{
    double sum = 0;
    for (int k = 0; k < WITNESSES; k++)
        if (k != WITNESS_FALL && !isnan(hazard[k]))
            sum += hazard[k];
    return sum;
}

double forecast_log_error(const struct combination *c, double hazard, const double gradient[FORECAST_TERMS])
{
    double variance = 0;
    for (int i = 0; i < FORECAST_TERMS; i++)
        for (int k = 0; k < FORECAST_TERMS; k++)
            variance += gradient[i] * c->covariance[i * FORECAST_TERMS + k] * gradient[k];
    return variance > 0 ? sqrt(variance) / hazard : 0;
}

static int class_below(double x, const double *limits, int count)
{
    int k = 0;
    while (k < count && x >= limits[k])
        k++;
    return k;
}

/* The last class is that of drives of which the rule knows nothing. */
int forecast_class(enum rival rival, const struct signs *s)
{
    static const double hours[] = {5000, 10000, 20000, 30000, 40000, 60000};
    static const double level[] = {0.8, 0.85, 0.9, 0.93, 0.96, 0.98};
    static const double days[] = {3, 7, 14, 30, 60, 90};
    enum { LIMITS = RIVAL_CLASSES - 2 };

    switch (rival) {
    case RIVAL_AGE:
        return isnan(s->age_hours) ? RIVAL_CLASSES - 1 : class_below(s->age_hours, hours, LIMITS);
    case RIVAL_SPEED:
        return isnan(s->slowest) ? RIVAL_CLASSES - 1 : class_below(s->slowest, level, LIMITS);
    case RIVAL_WARNINGS:
        return class_below(s->quiet_days, days, LIMITS);
    case RIVALS:
        break;
    }
    BUG("no such rule: %d", (int)rival);
}

static const char *const method_words[FORECAST_METHODS] = {
    [METHOD_SUM] = "sum of witnesses", [METHOD_COMBINED] = "combined",      [METHOD_AGE] = "age only",
    [METHOD_SPEED] = "speed only",     [METHOD_WARNINGS] = "warnings only",
};

const char *forecast_method_word(enum forecast_method m)
{
    return method_words[m];
}

bool forecast_method_parse(const char *word, enum forecast_method *m)
{
    for (int k = 0; k < FORECAST_METHODS; k++)
        if (strcmp(method_words[k], word) == 0) {
            *m = (enum forecast_method)k;
            return true;
        }
    return false;
}

static double row_hazard(const struct calibration *c, enum forecast_method method,
                         const struct forecast_row *row, int span)
{
    double sum = 0;

    if (method >= METHOD_AGE) {
        enum rival rival = (enum rival)(method - METHOD_AGE);
        return c->rivals[rival].hazard[forecast_class(rival, &row->signs)][span];
    }
    for (size_t k = 0; k < row->fan_count; k++) {
        const double *hazard = row->fans[k].hazard[span];
        sum += method == METHOD_SUM ? forecast_sum(hazard)
                                    : forecast_combine(&c->combination, span, 1, hazard, NULL);
    }
    return sum;
}

double forecast_row_probability(const struct calibration *c, enum forecast_method method,
                                const struct forecast_row *row, int span)
{
    double sum = 0;
    for (int s = 0; s <= span; s++)
        sum += row_hazard(c, method, row, s);
    return -expm1(-sum);
}
