/*
 * What the sources publish: every observation of every source with its number, made once and kept in memory.
 */
#ifndef FLEET_RECORD_H
#define FLEET_RECORD_H

#include "physics.h"

#include <pthread.h>

enum state { STATE_VALUE, STATE_NORMAL, STATE_WARNING, STATE_ALARM, STATE_UNAVAILABLE };
enum word { WORD_AVAILABLE, WORD_ON, WORD_OFF, WORD_ESTABLISHED, WORD_CLOSED, WORDS };

struct observation {
    int64_t at_ms;   /* by the true clock */
    int32_t value;   /* rev/min or a word; of a condition: index of its detail or NONE */
    uint32_t serial; /* order in which they were made: breaks ties */
    uint16_t item;
    uint16_t delay_ms; /* until the source has it */
    uint8_t state;     /* STATE_VALUE or STATE_UNAVAILABLE for samples and events */
    int8_t days_off;   /* of its published stamp */
};

struct detail {                  /* of a condition */
    int fault;                   /* index into the fleet's faults, NONE live */
    bool ends;                   /* the fault is over with this normal */
    const struct native *native; /* NULL: a bare normal */
    uint32_t id;                 /* of the activation; 0: the source gives none */
    int repetition;              /* a second message with a longer text */
};

struct instance {
    char id[24];
    int64_t from_ms;
    struct observation *at; /* number n is at[n - 1] */
    size_t count;
    uint8_t *readable; /* for the scripted client, same order; NULL until readable_mark() */
};

struct record { /* of one source */
    struct instance instances[2];
    int instance_count;
    struct detail *details;
    size_t detail_count;
    int32_t *live_values; /* last value per item, once the fleet is live */
};

struct world {
    struct fleet *fleet;
    struct record *records; /* one per source */
    pthread_rwlock_t lock;  /* the records grow when live; now_ms moves */
    int64_t now_ms;         /* as far as the servers show */
};

/* What an instance holds at a moment: numbers first to last; next is last + 1. */
struct view {
    const struct source *source;
    const struct record *record;
    const struct instance *instance;
    uint64_t first, last;
    int64_t now_ms;
};

struct world *world_new(const struct options *options);
void world_free(struct world *w);

struct view record_view(const struct world *w, int source, int64_t now_ms);
/*
 * The present state at number 'last': the newest observation of each item, of a condition all active ones,
 * else its normal. Returns an array of numbers to be freed.
 */
uint64_t *record_current(const struct view *v, uint64_t last, size_t *count);

/* Code, text and identity of a condition; NULL: it says nothing but its state. */
const struct detail *observation_detail(const struct view *v, const struct observation *o);
const char *word_text(int32_t word);
const char *state_word(uint8_t state); /* normal, warning, alarm, unavailable */
void detail_text(struct out *o, const struct detail *d);
/* The identity that the source sends with the condition; false when it sends none. */
bool detail_id(const struct source *s, const struct observation *o, const struct detail *d,
               char text[static 16]);
/* The moment as the source's clock has it. */
int64_t published_ms(const struct source *s, const struct observation *o);

/* observe.c: makes a source's observations up to the fleet's end. */
void observe_source(struct world *w, int source);
int32_t record_add_detail(struct record *r, struct detail d);

/* readable.c: marks what a client can have stored that read to the end at first_read_ms and again at the end.
 */
void readable_mark(struct world *w);

#endif
