/*
 * How one source is read without loss or repetition: given the position that is stored and the answer that
 * came, what to ask next, or what to store.
 *
 * Pure and the same for every format. Rules (MTConnect part 1, "Fault tolerance"): a known position is read
 * on from there; at first contact, after a restart and after an overrun the newest state is read first
 * (/current), then everything that the source still holds. Of the state only that is taken which will not
 * come again: what lies before the oldest observation held. What was lost is said as a gap.
 *
 * A source that is set back within its instance gives the same sequences again to other observations. What
 * follows is therefore kept under an instance of its own: "INSTANCE; set back MOMENT". One that comes back to
 * an instance of before (another publisher took its place for a while) is read on from where that was left;
 * if it does not reach so far, it was set back.
 */
#ifndef COLLECTOR_POLL_H
#define COLLECTOR_POLL_H

#include "batch.h"

enum { POLL_INSTANCE_TEXT = 128, POLL_LIFE_TEXT = POLL_INSTANCE_TEXT + 64, POLL_USUAL_COUNT = 10000 };

enum poll_step {
    POLL_READ,  /* from the known position on */
    POLL_LOOK,  /* at the newest state */
    POLL_BEGIN, /* from the oldest observation held; the newest state is at hand */
};

enum poll_news { POLL_NEWS_NONE, POLL_NEWS_FIRST, POLL_NEWS_OVERRUN, POLL_NEWS_RESTART, POLL_NEWS_REWIND };

/* One source: where its reading stands. */
struct poll {
    char instance[POLL_LIFE_TEXT]; /* as stored; "" before the first contact */
    uint64_t next;
    uint64_t count, buffer_size;
    int64_t last_contact_us; /* TIME_UNKNOWN: never */
    enum poll_step step;
    enum poll_news news;
    const struct document *state; /* for POLL_BEGIN: the answer of POLL_LOOK */
    int requests;                 /* since the last complete answer */
    /* Instances that the source left, each with the sequence to read next, the newest last; as they are
     * stored, and since. To be set after poll_stand. */
    const struct lives *stored_lives, *lives; /* NULL: none */
    char former[POLL_LIFE_TEXT];              /* the one that it came back to; "": none */
    uint64_t former_next;
};

/* Observations and refusals of a document with first <= sequence < end. */
struct poll_part {
    const struct document *document;
    uint64_t first, end;
};

struct poll_result {
    struct cursor from, to;
    struct poll_part parts[2];
    size_t part_count;
    /* After a gap: the newest state of all items, and the first sequence that it does not cover. */
    const struct document *state; /* NULL: not read */
    uint64_t state_end;
    struct gap_row gaps[2];
    size_t gap_count;
    enum poll_news news;
    bool more; /* the source holds more: ask again at once */
    uint64_t buffer_size, last_sequence;
    int64_t created_us;
};

enum poll_outcome { POLL_GO_ON, POLL_COMPLETE, POLL_FAILED };

/* Stands at a stored cursor. False when the instance is too long to be held. */
MUST_USE bool poll_stand(struct poll *p, const struct cursor *at, uint64_t buffer_size,
                         int64_t last_contact_us);

/* The address to ask next. */
const char *poll_url(const struct poll *p, const char *base, struct arena *mem);
/* The address of the source's model. */
const char *poll_model_url(const char *base, struct arena *mem);

/*
 * Takes the answer to poll_url. POLL_COMPLETE: *out is to be stored, and p stands after it; POLL_FAILED: *err
 * says why, and p stands where it stood. Documents must live until the outcome is not POLL_GO_ON.
 */
enum poll_outcome poll_answer(struct poll *p, const struct document *d, int64_t now_us, struct arena *mem,
                              struct poll_result *out, struct err *err);

/* The request failed altogether: begins again at the stored position. */
void poll_restart(struct poll *p);
/* As poll_restart, and asks for half as much from now on: the answer was too much. */
void poll_shrink(struct poll *p);

#endif
