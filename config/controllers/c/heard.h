/* Bare numbers of meterd and whether they count (README of the topics, "When a value counts"). Part of each example here.

   Needs libmosquitto (Debian: libmosquitto-dev). One thread; nothing in it waits longer than 0.2 s. */

#include <mosquitto.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define LONG_AGO (-1e9)

struct value {
    char filter[128]; /* what is subscribed to: its topics /plain and /time */
    double valid_s;   /* `ut` of the topic in the catalogue */
    double number;    /* of /plain */
    char stamp[24];   /* of /time: whole seconds since 1970 UTC, 0 = invalid */
    double fresh_s;   /* when the stamp was seen to change, by now_s */
};

static struct value values[4];
static int value_count;
static char service_topic[128];
static bool gone; /* nobody publishes: no value counts */

/* Seconds of a clock that never jumps. */
static inline double now_s(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec + (double)at.tv_nsec / 1e9;
}

static inline double random_delay(double longest_s) {
    struct timespec at;
    clock_gettime(CLOCK_REALTIME, &at);
    srand((unsigned)at.tv_nsec ^ (unsigned)getpid());
    return longest_s * rand() / RAND_MAX;
}

static inline struct value *subscribe_to(const char *root, const char *topic, double valid_s) {
    struct value *value = &values[value_count++];
    snprintf(value->filter, sizeof value->filter, "%s/%s/+", root, topic);
    snprintf(service_topic, sizeof service_topic, "%s/service", root);
    value->valid_s = valid_s;
    value->fresh_s = LONG_AGO;
    return value;
}

/* Without a clock of the day: from the first change of /time after connecting, for `ut` after each change. */
static inline bool counts(const struct value *value) { return now_s() - value->fresh_s <= value->valid_s; }

/* With a clock of the day: while /time is at most `ut` ago. */
static inline bool counts_by_clock(const struct value *value) {
    return !gone && difftime(time(NULL), (time_t)atoll(value->stamp)) <= value->valid_s;
}

static void on_connect(struct mosquitto *client, void *unused, int refused) {
    (void)unused;
    if (refused) return;
    for (int i = 0; i < value_count; i++) mosquitto_subscribe(client, NULL, values[i].filter, 1);
    mosquitto_subscribe(client, NULL, service_topic, 1);
}

static void hear(struct value *value, const char *kind, const char *text) {
    if (!strcmp(kind, "plain")) value->number = atof(text);
    if (strcmp(kind, "time") || !strcmp(value->stamp, text)) return;
    if (value->stamp[0]) value->fresh_s = atoll(text) ? now_s() : LONG_AGO; /* the first one may be old */
    snprintf(value->stamp, sizeof value->stamp, "%.23s", text);
}

static void on_message(struct mosquitto *client, void *unused, const struct mosquitto_message *message) {
    char text[512];
    (void)client, (void)unused;
    snprintf(text, sizeof text, "%.*s", message->payloadlen, message->payload ? (char *)message->payload : "");
    if (!strcmp(message->topic, service_topic)) gone = strstr(text, "\"gone\"");
    for (int i = 0; i < value_count; i++) {
        size_t length = strlen(values[i].filter) - 1;
        if (gone) values[i].fresh_s = LONG_AGO;
        if (!strncmp(message->topic, values[i].filter, length)) hear(&values[i], message->topic + length, text);
    }
}

/* Connect, and call `step` five times a second for ever, with or without a broker. */
static int run(const char *host, int port, int version, void (*step)(void)) {
    mosquitto_lib_init();
    struct mosquitto *client = mosquitto_new(NULL, true, NULL);
    if (!client) return 1;
    mosquitto_int_option(client, MOSQ_OPT_PROTOCOL_VERSION, version == 5 ? MQTT_PROTOCOL_V5 : MQTT_PROTOCOL_V311);
    mosquitto_connect_callback_set(client, on_connect);
    mosquitto_message_callback_set(client, on_message);
    mosquitto_connect_async(client, host, port, 10);
    for (setvbuf(stdout, NULL, _IOLBF, 0);; step()) {
        if (mosquitto_loop(client, 200, 1) == MOSQ_ERR_SUCCESS) continue;
        usleep(200000);
        mosquitto_reconnect_async(client);
    }
}
