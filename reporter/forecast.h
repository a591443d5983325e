/*
 * From what the witnesses say of a fan to one probability, by what the fleet's own past taught. Pure.
 *
 * Each witness gives a hazard (minus the log of the probability that nothing comes) for spans of time ahead.
 * The combination adds them with weights: causes compete, and hazards of competing causes, of fans of a drive
 * and of spans add. So probabilities rise with the horizon, and a drive's is that of any of its fans.
 * Weights are fitted to a replayed past (replay.h) by penalised likelihood, which draws them to 1, the plain
 * sum, as long as few faults speak for anything else.
 */
#ifndef REPORTER_FORECAST_H
#define REPORTER_FORECAST_H

#include "replay.h"
#include "score.h"

enum witness {
    WITNESS_SPEED,    /* first passage to the warning speed */
    WITNESS_FALL,     /* how far the fan is below its own level, in forecast_fall's measure; not in the sum */
    WITNESS_LIFE,     /* age */
    WITNESS_RATE,     /* the drive's own rate of faults */
    WITNESS_DROPOUTS, /* of the speed signal */
    WITNESSES
};

/* Spans end at these days; what lies beyond the last belongs to it. */
enum { FORECAST_SPANS = 4 };
extern const double forecast_ends[FORECAST_SPANS];
/* The span that a day ahead lies in, and where that begins. */
int forecast_span(double days);
double forecast_begin(int span);

/* Hazards of one fan's witnesses for a span; NAN: the witness says nothing. */
struct fan_witnesses {
    double hazard[FORECAST_SPANS][WITNESSES];
};
/* Hazard of a share of its own speed that a fan has lost. */
double forecast_fall(double lost, double days);

/*
 * H of a span = sum over witnesses of exp(weight + departure of the span) * h, where for the speed it is a
 * power of h: a first passage that is sure of itself one way or the other is too sure.
 */
enum {
    FORECAST_DEPARTURES = WITNESSES,
    FORECAST_POWER = WITNESSES * (1 + FORECAST_SPANS),
    FORECAST_TERMS,
};
struct combination {
    double term[FORECAST_TERMS];
    double covariance[FORECAST_TERMS * FORECAST_TERMS];
};
/* What is known before any past: the plain sum. */
void forecast_prior(struct combination *c);
/* Hazard of a share (0 to 1) of a span from the hazards of that share; its derivatives are added to
 * gradient, unless that is NULL. */
double forecast_combine(const struct combination *c, int span, double share, const double hazard[WITNESSES],
                        double gradient[FORECAST_TERMS]);
double forecast_sum(const double hazard[WITNESSES]); /* the plain sum */
/* Standard error of the log of a hazard with such derivatives. */
double forecast_log_error(const struct combination *c, double hazard, const double gradient[FORECAST_TERMS]);

/* Three plain rules, each a table of observed shares: what a forecast has to beat. */
enum rival { RIVAL_AGE, RIVAL_SPEED, RIVAL_WARNINGS, RIVALS };
/* What they look at. */
struct signs {
    double age_hours;  /* of the drive's oldest fan; NAN: not known */
    double slowest;    /* least share of its own level that a fan runs at; NAN: no speed */
    double quiet_days; /* since the last warning or alarm began; INFINITY: none */
};
enum { RIVAL_CLASSES = 8 };
struct rival_table {
    double hazard[RIVAL_CLASSES][FORECAST_SPANS];
    double error[RIVAL_CLASSES][FORECAST_SPANS]; /* standard error of its log */
};
int forecast_class(enum rival rival, const struct signs *signs);

/* A drive at a past moment, and what came of it. */
struct forecast_row {
    int drive, date; /* numbers of both */
    struct signs signs;
    const struct fan_witnesses *fans;
    size_t fan_count;
    struct replay_outcome outcome;
};

/* Rows of dates that lie 'step_days' apart; each fault speaks once, though many dates look ahead to it. */
void forecast_fit(const struct forecast_row *rows, size_t count, double step_days, struct combination *out);
void forecast_fit_rival(const struct forecast_row *rows, size_t count, double step_days, enum rival rival,
                        struct rival_table *out);

enum forecast_method {
    METHOD_SUM,
    METHOD_COMBINED,
    METHOD_AGE,
    METHOD_SPEED,
    METHOD_WARNINGS,
    FORECAST_METHODS
};
const char *forecast_method_word(enum forecast_method m);
bool forecast_method_parse(const char *word, enum forecast_method *m);

/* All that was learned from a past. */
struct calibration {
    int64_t known_us;            /* when it became known; TIME_UNKNOWN: not stored */
    int64_t as_of_us;            /* the past that it is from ended here */
    enum forecast_method method; /* the one that did best, and is used */
    struct combination combination;
    struct rival_table rivals[RIVALS];
    int dates, drives, faults; /* of the replay; faults: episodes */
};

/* Probability that a row's drive reports a fault within one of the ends of the spans. */
double forecast_row_probability(const struct calibration *c, enum forecast_method method,
                                const struct forecast_row *row, int span);

#endif
