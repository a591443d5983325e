#include "feed.h"

#include "gather.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FEED_VERSION = 1, MAX_TEXT = 4096, MAX_VALUES = 1000000, NUMBER_TEXT = 40 };

/* What a member must be, for messages. */
static const char text_wanted[] = "must be a text of 1 to 4096 bytes";
static const char number_wanted[] = "must be a whole number from 0 to 2^63-1";

/* A member that is a text of 1 to MAX_TEXT bytes; NULL for everything else. */
static const char *text_member(const json_t *object, const char *name)
{
    const json_t *member = json_object_get(object, name);
    size_t length = json_string_length(member);
    return length && length <= MAX_TEXT ? json_string_value(member) : NULL;
}

static bool wrong(struct err *err, const char *member, const json_t *value, const char *wanted)
{
    return err_set(err, ERR_INPUT, value ? "'%s' %s" : "'%s' is missing; it %s", member, wanted);
}

static bool take_text(const json_t *object, const char *name, struct arena *mem, const char **value,
                      struct err *err)
{
    const char *text = text_member(object, name);
    if (!text)
        return wrong(err, name, json_object_get(object, name), text_wanted);
    *value = arena_strdup(mem, text);
    return true;
}

static bool whole_number(const json_t *value, uint64_t *number)
{
    if (!json_is_integer(value) || json_integer_value(value) < 0)
        return false;
    *number = (uint64_t)json_integer_value(value);
    return true;
}

static bool take_number(const json_t *buffer, const char *name, uint64_t *value, struct err *err)
{
    char path[80];
    snprintf(path, sizeof path, "buffer.%s", name);
    const json_t *member = json_object_get(buffer, name);
    return whole_number(member, value) || wrong(err, path, member, number_wanted);
}

static bool take_buffer(const json_t *root, struct document *out, struct err *err)
{
    const json_t *buffer = json_object_get(root, "buffer");
    if (!json_is_object(buffer))
        return wrong(err, "buffer", buffer, "must be an object");
    if (!take_number(buffer, "size", &out->buffer_size, err) ||
        !take_number(buffer, "first", &out->first_sequence, err) ||
        !take_number(buffer, "last", &out->last_sequence, err) ||
        !take_number(buffer, "next", &out->next_sequence, err))
        return false;
    return out->next_sequence > 0 || err_set(err, ERR_INPUT, "'buffer.next' must be 1 or more");
}

/* jansson takes a hundred bytes for a value that is written with three, so values are counted before; commas
 * and brackets within texts count too. */
static bool has_too_many_values(const char *bytes, size_t size)
{
    size_t count = 0;
    if (size <= MAX_VALUES)
        return false;
    for (size_t k = 0; k < size; k++)
        count += (bytes[k] == ',') + (bytes[k] == '{') + (bytes[k] == '[');
    return count > MAX_VALUES;
}

/* The whole text as an object that says it is a feed we know. */
static json_t *load(const char *bytes, size_t size, struct err *err)
{
    json_error_t why;
    if (has_too_many_values(bytes, size)) {
        err_set(err, ERR_INPUT, "it holds more than %d values", MAX_VALUES);
        return NULL;
    }
    json_t *root = json_loadb(bytes, size, JSON_REJECT_DUPLICATES, &why);
    if (!root) {
        /* Without memory for its own beginning jansson says nothing at all. */
        if (json_error_code(&why) == json_error_out_of_memory || !*why.text)
            err_set(err, ERR_SYSTEM, "out of memory while reading JSON");
        else
            err_set(err, ERR_INPUT, "line %d, column %d: %s", why.line, why.column, why.text);
        return NULL;
    }
    const json_t *feed = json_object_get(root, "feed");
    if (!json_is_object(root))
        err_set(err, ERR_INPUT, "the document must be an object");
    else if (!json_is_integer(feed))
        wrong(err, "feed", feed, "must be 1");
    else if (json_integer_value(feed) != FEED_VERSION)
        err_set(err, ERR_INPUT, "'feed' is %lld: only version %d is read",
                (long long)json_integer_value(feed), FEED_VERSION);
    else
        return root;
    json_decref(root);
    return NULL;
}

static bool take_frame(const json_t *root, struct document *out, struct arena *mem, struct err *err)
{
    const json_t *created = json_object_get(root, "created"), *test = json_object_get(root, "test");
    if (!take_text(root, "instance", mem, &out->instance, err))
        return false;
    if (!json_is_string(created) || !gather_moment(json_string_value(created), &out->created_us, NULL))
        return wrong(err, "created", created, "must be an ISO 8601 time");
    if (test && !json_is_boolean(test))
        return wrong(err, "test", test, "must be true or false");
    out->test_data = json_is_true(test);
    return true;
}

/* The shortest decimal number that reads back the same. */
static const char *number_text(const json_t *value, struct arena *mem)
{
    char text[NUMBER_TEXT];
    if (json_is_integer(value))
        return arena_printf(mem, "%lld", (long long)json_integer_value(value));
    for (int digits = 15; digits <= 17; digits++) {
        snprintf(text, sizeof text, "%.*g", digits, json_real_value(value));
        if (strtod(text, NULL) == json_real_value(value))
            break;
    }
    return arena_strdup(mem, text);
}

/* What a word as a value can only be; "" for a word of the source's own. */
static const char *type_of_word(const char *word)
{
    if (strcmp(word, "AVAILABLE") == 0)
        return "AVAILABILITY";
    if (strcmp(word, "ON") == 0 || strcmp(word, "OFF") == 0)
        return "POWER_STATE";
    return "";
}

/* Returns why it cannot be read, NULL when it can. */
static const char *take_value(const json_t *value, struct arena *mem, struct observation *o)
{
    o->type = "";
    if (json_is_null(value)) {
        o->category = CATEGORY_EVENT;
    } else if (json_is_number(value)) {
        o->category = CATEGORY_SAMPLE;
        o->type = "ROTARY_VELOCITY";
        o->value = number_text(value, mem);
    } else if (json_is_string(value) && json_string_length(value) <= MAX_TEXT) {
        const char *word = json_string_value(value);
        o->category = CATEGORY_EVENT;
        o->type = type_of_word(word);
        o->value = strcmp(word, "UNAVAILABLE") == 0 ? NULL : arena_strdup(mem, word);
    } else {
        return "'value' must be a number, a word or null";
    }
    return NULL;
}

static bool state_of(const char *word, enum condition_state *state)
{
    static const char *const words[] = {"normal", "warning", "alarm", "unavailable"};
    for (int k = STATE_NORMAL; k <= STATE_UNAVAILABLE; k++)
        if (strcmp(word, words[k]) == 0) {
            *state = (enum condition_state)k;
            return true;
        }
    return false;
}

static bool take_optional(const json_t *object, const char *name, struct intern *texts, const char **value)
{
    const json_t *member = json_object_get(object, name);
    if (!member || json_is_null(member))
        return true;
    if (!json_is_string(member) || json_string_length(member) > MAX_TEXT)
        return false;
    if (json_string_length(member))
        *value = intern_text(texts, json_string_value(member), json_string_length(member));
    return true;
}

static const char *take_condition(const json_t *object, struct intern *texts, struct observation *o)
{
    const char *state = text_member(object, "state");
    o->category = CATEGORY_CONDITION;
    o->type = "";
    if (!state || !state_of(state, &o->state))
        return "'state' must be normal, warning, alarm or unavailable";
    if (!take_optional(object, "code", texts, &o->native_code))
        return "'code' must be a text of at most 4096 bytes";
    if (!take_optional(object, "id", texts, &o->condition_id))
        return "'id' must be a text of at most 4096 bytes";
    if (!take_optional(object, "severity", texts, &o->native_severity))
        return "'severity' must be a text of at most 4096 bytes";
    if (!take_optional(object, "text", texts, &o->value))
        return "'text' must be a text of at most 4096 bytes";
    if (o->state == STATE_UNAVAILABLE)
        o->value = NULL;
    else if (!o->value)
        o->value = "";
    return NULL;
}

static const char *take_observation(const json_t *object, struct gather *g, struct observation *o)
{
    *o = (struct observation){.item = ""};
    if (!json_is_object(object))
        return "an observation must be an object";
    const char *item = text_member(object, "item"), *device = text_member(object, "device");
    if (item)
        o->item = intern_text(&g->texts, item, strlen(item));
    if (!whole_number(json_object_get(object, "sequence"), &o->sequence) || !o->sequence)
        return "'sequence' must be a whole number from 1 to 2^63-1";
    if (!item)
        return "'item' must be a text of 1 to 4096 bytes";
    if (!device)
        return "'device' must be a text of 1 to 4096 bytes";
    o->device = intern_text(&g->texts, device, strlen(device));
    const char *time = text_member(object, "time");
    bool no_zone;
    if (!time || !gather_moment(time, &o->at_us, &no_zone))
        return "'time' must be an ISO 8601 time";
    g->out->without_zone += no_zone;

    const json_t *value = json_object_get(object, "value");
    bool has_state = json_object_get(object, "state");
    if ((value != NULL) == has_state)
        return "one of 'value' and 'state' must be given";
    return has_state ? take_condition(object, &g->texts, o) : take_value(value, g->mem, o);
}

static void take_observations(const json_t *list, struct arena *mem, struct document *out)
{
    struct gather g;
    gather_init(&g, out, mem, json_array_size(list));
    for (size_t k = 0; k < json_array_size(list); k++) {
        struct observation *o = gather_next(&g);
        const char *reason = take_observation(json_array_get(list, k), &g, o);
        if (reason)
            gather_refuse(&g, o->sequence, o->item, reason);
        else
            gather_keep(&g);
    }
    gather_finish(&g);
}

static bool take_error(const json_t *error, struct arena *mem, struct document *out, struct err *err)
{
    if (!json_is_object(error))
        return wrong(err, "error", error, "must be an object");
    const char *code = text_member(error, "code"), *text = text_member(error, "text");
    if (!code)
        return wrong(err, "error.code", json_object_get(error, "code"), text_wanted);
    if (!text)
        return wrong(err, "error.text", json_object_get(error, "text"), text_wanted);
    out->kind = DOCUMENT_ERROR;
    out->error_text = arena_printf(mem, "%s: %s", code, text);
    if (strcmp(code, "out_of_range") == 0)
        out->error = SOURCE_ERROR_OUT_OF_RANGE;
    else if (strcmp(code, "too_many") == 0)
        out->error = SOURCE_ERROR_TOO_MANY;
    else if (strcmp(code, "no_device") == 0)
        out->error = SOURCE_ERROR_NO_DEVICE;
    else
        out->error = SOURCE_ERROR_OTHER;
    return true;
}

static bool take_document(const json_t *root, struct arena *mem, struct document *out, struct err *err)
{
    const json_t *list = json_object_get(root, "observations"), *error = json_object_get(root, "error");
    if (!take_frame(root, out, mem, err))
        return false;
    if ((list != NULL) == (error != NULL))
        return err_set(err, ERR_INPUT, "one of 'observations' and 'error' must be given");
    if (error)
        return (!json_object_get(root, "buffer") || take_buffer(root, out, err)) &&
               take_error(error, mem, out, err);
    if (!take_buffer(root, out, err))
        return false;
    if (!json_is_array(list))
        return wrong(err, "observations", list, "must be an array");
    if (json_array_size(list) > GATHER_MAX_OBSERVATIONS)
        return err_set(err, ERR_INPUT, "it holds more than %d observations", GATHER_MAX_OBSERVATIONS);
    take_observations(list, mem, out);
    return true;
}

bool feed_document(const char *bytes, size_t size, struct arena *mem, struct document *out, struct err *err)
{
    *out = (struct document){.instance = "", .created_us = TIME_UNKNOWN};
    json_t *root = load(bytes, size, err);
    if (!root)
        return false;
    bool fine = take_document(root, mem, out, err);
    json_decref(root);
    return fine;
}

/* The kinds of items and what they are called in the standard. */
static bool kind_of(const char *kind, struct model_item *item)
{
    static const struct {
        const char *kind, *category, *type, *component;
    } kinds[] = {
        {"speed", "SAMPLE", "ROTARY_VELOCITY", "Fan"},
        {"condition", "CONDITION", "SYSTEM", "Amplifier"},
        {"availability", "EVENT", "AVAILABILITY", "Device"},
        {"power", "EVENT", "POWER_STATE", "Device"},
    };
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++)
        if (strcmp(kind, kinds[k].kind) == 0) {
            item->category = kinds[k].category;
            item->type = kinds[k].type;
            item->component = kinds[k].component;
            return true;
        }
    return false;
}

static bool take_item(const json_t *object, struct intern *texts, struct arena *mem, struct model_item *item,
                      struct err *err)
{
    *item = (struct model_item){.path = "",
                                .minimum = (double)NAN,
                                .lower_warning = (double)NAN,
                                .lower_limit = (double)NAN,
                                .nominal = (double)NAN};
    if (!json_is_object(object))
        return err_set(err, ERR_INPUT, "an item must be an object");
    const char *kind = text_member(object, "kind");
    if (!take_text(object, "device", mem, &item->device, err) ||
        !take_text(object, "item", mem, &item->item, err))
        return false;
    if (!kind || !kind_of(kind, item))
        return wrong(err, "kind", json_object_get(object, "kind"),
                     "must be speed, condition, availability or power");
    if (!take_optional(object, "name", texts, &item->name))
        return wrong(err, "name", object, "must be a text of at most 4096 bytes");
    if (!take_optional(object, "unit", texts, &item->units))
        return wrong(err, "unit", object, "must be a text of at most 4096 bytes");
    if (!take_optional(object, "path", texts, &item->path))
        return wrong(err, "path", object, "must be a text of at most 4096 bytes");
    if (strcmp(kind, "speed") == 0 && (!item->units || strcmp(item->units, "rpm") != 0))
        return wrong(err, "unit", object, "must be rpm for a speed");
    return true;
}

static bool take_model(const json_t *root, struct arena *mem, struct model *out, struct err *err)
{
    struct document frame = {.instance = ""};
    struct intern texts;
    const json_t *list = json_object_get(root, "items"), *error = json_object_get(root, "error");
    if (!take_frame(root, &frame, mem, err))
        return false;
    if (error)
        return take_error(error, mem, &frame, err) &&
               err_set(err, ERR_INPUT, "the source answers with an error: %s", frame.error_text);
    if (!json_is_array(list))
        return wrong(err, "items", list, "must be an array");
    if (json_array_size(list) > GATHER_MAX_OBSERVATIONS)
        return err_set(err, ERR_INPUT, "it holds more than %d items", GATHER_MAX_OBSERVATIONS);

    intern_init(&texts, mem);
    out->instance = frame.instance;
    out->items = arena_array(mem, struct model_item, json_array_size(list));
    for (size_t k = 0; k < json_array_size(list); k++)
        if (!take_item(json_array_get(list, k), &texts, mem, &out->items[out->count++], err))
            return err_in(err, "item %zu", k + 1);
    return true;
}

bool feed_model(const char *bytes, size_t size, struct arena *mem, struct model *out, struct err *err)
{
    *out = (struct model){.instance = "", .version = "1"};
    json_t *root = load(bytes, size, err);
    if (!root)
        return false;
    bool fine = take_model(root, mem, out, err);
    json_decref(root);
    return fine;
}
