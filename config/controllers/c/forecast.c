/* A controller with a forecast: heats water now or waits for the sun. For one storage that has hours of time.

       cc -o forecast forecast.c -lmosquitto
       ./forecast HOST PORT energy/harrow-mill 6000 [MQTT version, 4 or 5] [valid_s]

   Heats while there is enough surplus for its power (6000 W). Otherwise it waits if the forecast of 1, 3 or 6 hours ahead
   says that there will be, and heats from the grid if not, or where no forecast counts: warm water is what it is there for.
   It reads bare numbers only and needs the time of day. 4 is MQTT 3.1.1. */

#include "heard.h"

static struct value *surplus, *ahead[3];
static double power_w;

static const char *decision(void) {
    int known = 0;
    if (counts(surplus) && surplus->number >= power_w) return "heat: enough surplus";
    for (int i = 0; i < 3; i++) {
        if (!counts_by_clock(ahead[i])) continue;
        if (ahead[i]->number >= power_w) return "wait for the sun";
        known++;
    }
    return known ? "heat: the sun will not do" : "heat: no forecast";
}

static void step(void) {
    static const char *shown = "";
    const char *now = decision();
    if (now != shown) puts(now); /* a real controller switches its heater here */
    shown = now;
}

int main(int count, char **words) {
    if (count < 5) return 2;
    power_w = atof(words[4]);
    surplus = subscribe_to(words[3], "pv/surplus", count > 6 ? atof(words[6]) : 120);
    ahead[0] = subscribe_to(words[3], "pv/surplus-forecast/1h", 1080);
    ahead[1] = subscribe_to(words[3], "pv/surplus-forecast/3h", 1080);
    ahead[2] = subscribe_to(words[3], "pv/surplus-forecast/6h", 1080);
    return run(words[1], atoi(words[2]), count > 5 ? atoi(words[5]) : 4, step);
}
