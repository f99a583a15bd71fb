/* A controller with a threshold: one load that is on or off by the whole surplus. For a site with one such controller.

       cc -o threshold threshold.c -lmosquitto
       ./threshold HOST PORT energy/harrow-mill 2000 [MQTT version, 4 or 5] [delay_s] [valid_s] [least_s]

   On from the threshold on, off below it, and off whenever the value does not count; it begins with off. 4 is MQTT 3.1.1. */

#include "heard.h"

static struct value *surplus;
static double threshold_w, delay_s, least_s;
static double switched_s = LONG_AGO;
static bool on;

/* Off at once for too little surplus, after the own delay where nothing is known; relays do not like to switch often. */
static void step(void) {
    double age_s = now_s() - surplus->fresh_s;
    bool known = age_s <= surplus->valid_s + (on ? delay_s : 0);
    bool wanted = known && surplus->number >= threshold_w;
    if (wanted == on || now_s() - switched_s < least_s) return;
    on = wanted;
    switched_s = now_s();
    puts(on ? "on" : "off"); /* a real controller switches its load here */
}

int main(int count, char **words) {
    if (count < 5) return 2;
    threshold_w = atof(words[4]);
    delay_s = random_delay(count > 6 ? atof(words[6]) : 30);
    surplus = subscribe_to(words[3], "pv/surplus", count > 7 ? atof(words[7]) : 120);
    least_s = count > 8 ? atof(words[8]) : 60;
    return run(words[1], atoi(words[2]), count > 5 ? atoi(words[5]) : 4, step);
}
