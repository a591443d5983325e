#include "simulation.h"

#include <math.h>
#include <stdlib.h>

static const double stays = 0.7, step_sd = 6.4; /* 6.4 / sqrt(1 - 0.7^2) = 9.0 */

/* Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8 (2003). */
static uint64_t draw(struct simulation *s)
{
    s->dice ^= s->dice << 13;
    s->dice ^= s->dice >> 7;
    s->dice ^= s->dice << 17;
    return s->dice;
}

static double draw_share(struct simulation *s)
{
    return ((double)(draw(s) >> 11) + 0.5) / 9007199254740992.0;
}

/* Box and Muller (1958). */
static double draw_normal(struct simulation *s)
{
    double radius = sqrt(-2 * log(draw_share(s)));
    return radius * cos(2 * M_PI * draw_share(s));
}

void simulation_init(struct simulation *s, uint32_t fans, int64_t begins_us, int64_t period_us)
{
    *s = (struct simulation){.fans = fans, .begins_us = begins_us, .period_us = period_us, .dice = 42};
    s->order = calloc(fans, sizeof *s->order);
    s->base = calloc(fans + 1, sizeof *s->base);
    s->noise = calloc(fans + 1, sizeof *s->noise);
    if (!s->order || !s->base || !s->noise)
        err_no_memory();
    for (uint32_t k = 0; k < fans; k++) {
        s->order[k] = k + 1;
        s->base[k + 1] = 2200 + (int32_t)(draw(s) % 6000);
    }
    for (uint32_t k = fans - 1; k > 0; k--) {
        uint32_t other = (uint32_t)(draw(s) % (k + 1)), kept = s->order[k];
        s->order[k] = s->order[other];
        s->order[other] = kept;
    }
}

void simulation_release(struct simulation *s)
{
    free(s->order);
    free(s->base);
    free(s->noise);
}

struct reading simulation_next(struct simulation *s)
{
    uint32_t fan = s->order[s->at];
    int64_t phase_us = (s->period_us - SIMULATION_JITTER_MS * 1000) * s->at / s->fans / 1000 * 1000;
    int64_t jitter_ms = (int64_t)(draw(s) % SIMULATION_JITTER_MS);
    double expected = stays * s->noise[fan];
    s->noise[fan] = expected + step_sd * draw_normal(s);
    long step = lround(s->noise[fan]) - lround(expected) + SIMULATION_STEPS / 2;
    s->steps[step < 0 ? 0 : step >= SIMULATION_STEPS ? SIMULATION_STEPS - 1 : step]++;
    s->jitters[jitter_ms]++;
    const struct reading r = {
        .fan_no = fan,
        .milli_rpm = (s->base[fan] + (int32_t)lround(s->noise[fan])) * 1000,
        .at_us = s->begins_us + s->rounds * s->period_us + phase_us + jitter_ms * 1000,
    };
    if (++s->at == s->fans) {
        s->at = 0;
        s->rounds++;
    }
    return r;
}

/* Shannon's, in bits. */
static double entropy(const uint64_t *counts, size_t kinds)
{
    double total = 0, bits = 0;
    for (size_t k = 0; k < kinds; k++)
        total += (double)counts[k];
    for (size_t k = 0; k < kinds; k++)
        if (counts[k])
            bits -= (double)counts[k] / total * log2((double)counts[k] / total);
    return bits;
}

double simulation_entropy_bytes(const struct simulation *s)
{
    return (entropy(s->steps, SIMULATION_STEPS) + entropy(s->jitters, SIMULATION_JITTER_MS)) / 8;
}
