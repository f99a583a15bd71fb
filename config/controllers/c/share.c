/* A controller with a share: one of several loads, each a row of consumers.csv, that take what they are given.

       cc -o share share.c -lmosquitto
       ./share HOST PORT energy/harrow-mill studio-01-heater 500 [MQTT version, 4 or 5] [delay_s] [valid_s]

   Takes its share; where the share does not count, the fallback power after an own random delay. 4 is MQTT 3.1.1. */

#include "heard.h"

static struct value *share;
static double fallback_w, delay_s;
static double undecided_s = LONG_AGO, shown_w = -1;
static bool following;

/* A lower share counts at once; only the change to and from fallback waits. */
static void step(void) {
    if (counts(share) == following) {
        undecided_s = LONG_AGO;
    } else if (undecided_s == LONG_AGO) {
        undecided_s = now_s();
    } else if (now_s() - undecided_s >= delay_s) {
        following = !following;
        undecided_s = LONG_AGO;
    }
    double power_w = following ? share->number : fallback_w;
    if (power_w != shown_w) printf("%.0f W\n", power_w); /* a real controller sets its load here */
    shown_w = power_w;
}

int main(int count, char **words) {
    char topic[100];
    if (count < 6) return 2;
    snprintf(topic, sizeof topic, "share/%s", words[4]);
    fallback_w = atof(words[5]);
    delay_s = random_delay(count > 7 ? atof(words[7]) : 30);
    share = subscribe_to(words[3], topic, count > 8 ? atof(words[8]) : 120);
    return run(words[1], atoi(words[2]), count > 6 ? atoi(words[6]) : 4, step);
}
