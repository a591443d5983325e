#include "fleet.h"

#include <string.h>

static const struct part parts[] = {
    {"GP 204-040", "Fan 40 mm, 24 V, 3 wires", 31.40, 12, 4, 5, 5, NULL, NULL, 3},
    {"GP 204-041", "Fan 40 mm, 24 V, 3 wires, sealed bearing", 36.90, 10, 3, 5, 5, "GP 204-040", NULL, 0},
    {"GP 204-060", "Fan 60 mm, 24 V, 3 wires", 44.75, 21, 6, 1, 2, NULL, NULL, 3},
    {"GP 204-062", "Fan 60 mm, flat, 24 V, 3 wires", 52.10, 35, 10, 1, 1, NULL, NULL, 2},
    {"GP 204-080", "Fan 80 mm, 24 V, 3 wires", 58.00, 28, 7, 1, 2, NULL, NULL, 3},
    {"GP 206-120", "Heat-sink fan 120 mm, 24 V", 118.60, 45, 12, 1, 1, NULL, NULL, 1},
    {"GP 206-092", "Heat-sink fan 92 mm, 24 V", 96.20, 60, 15, 1, 1, NULL, NULL, 1},
    {"GP 208-110", "Fan housing, narrow", 14.80, 30, 8, 1, 1, NULL, NULL, 1},
    {"GP 208-120", "Fan housing, wide", 19.50, 30, 8, 1, 1, NULL, NULL, 1},
    {"GP 209-003", "Fan connector holder", 3.25, 9, 3, 10, 10, NULL, NULL, 4},
};

static const struct fan_model fan_models[] = {
    {"VT40-N", "GP 204-040", "GP 208-110", 8400, 6400, 40000, 40, 2.4, 46000},
    {"VT40-S", "GP 204-041", "GP 208-110", 8400, 6400, 60000, 40, 2.4, 90000},
    {"VT60-N", "GP 204-060", "GP 208-110", 6200, 4700, 50000, 40, 2.6, 56000},
    {"VT60-F", "GP 204-062", "GP 208-120", 5600, 4300, 45000, 40, 2.6, 60000},
    {"VT80-N", "GP 204-080", "GP 208-120", 4300, 3300, 60000, 40, 2.8, 64000},
    {"HK120", "GP 206-120", NULL, 2900, 2200, 70000, 40, 2.2, 88000},
    {"HK92", "GP 206-092", NULL, 3400, 2600, 60000, 40, 2.2, 80000},
};

static const struct drive_model drive_models[] = {
    {"TN-S30", "Spindle drive 30 kW", true, 2, true, 10, 60, 10, false, "VT80-N", NULL, "HK120"},
    {"TN-M12", "Drive for up to three axes", true, 2, true, 10, 60, 8, false, "VT60-N", NULL, "HK92"},
    {"TN-A06", "Drive for one axis", true, 1, false, 10, 60, 6, false, "VT40-N", "VT40-S", NULL},
    {"TN-C06", "Drive for up to three axes, older, no speed diagnostic", false, 1, true, 10, 60, 8, false,
     "VT60-N", NULL, "HK92"},
    {"OS-520", "Spindle drive", true, 2, true, 1, 60, 10, true, "VT80-N", NULL, "HK120"},
    {"OS-430", "Drive for up to three axes", true, 2, true, 1, 60, 8, true, "VT60-F", NULL, "HK92"},
    {"OS-210", "Drive for one axis", true, 1, false, 1, 60, 5, true, "VT60-F", NULL, NULL},
    {"OS-105", "Drive for up to three axes, no speed diagnostic", false, 1, true, 1, 60, 5, true, "VT60-N",
     NULL, "HK92"},
    {"VL-9", "Spindle drive", true, 2, true, 30, 60, 12, false, "VT80-N", NULL, "HK120"},
    {"VL-6", "Drive for up to three axes", true, 2, true, 30, 60, 8, false, "VT60-N", NULL, "HK92"},
    {"VL-2", "Drive for one axis", true, 1, false, 30, 60, 6, false, "VT40-N", "VT40-S", NULL},
    {"VL-1", "Drive for up to three axes, no speed diagnostic", false, 1, true, 30, 60, 6, false, "VT60-N",
     NULL, "HK92"},
    {"RK 700", "Spindle drive", true, 2, true, 10, 60, 10, false, "VT80-N", NULL, "HK120"},
    {"RK 340", "Drive for up to three axes", true, 2, true, 10, 60, 8, true, "VT60-F", NULL, "HK92"},
    {"RK 110", "Drive for one axis", true, 1, false, 1, 60, 6, false, "VT60-N", NULL, NULL},
    {"RK 050", "Drive for up to three axes, no speed diagnostic", false, 1, true, 10, 60, 6, false, "VT60-N",
     NULL, "HK92"},
};

static const struct family families[] = {
    {"Tarn 3",
     {"TN-S30", "TN-M12", "TN-A06", "TN-C06"},
     {{"F-0417", "Lüfter Antrieb langsam (< Grenzwert)", "2", "fan_warning"},
      {"F-0418", "Lüfter Antrieb: Stopp", "5", "fan_alarm"},
      {"F-0431", "Lüfter Kühlkörper: Stopp", "5", "heat_sink_fan_alarm"},
      {"MB-2206", "Schaltschrank: Lüfter prüfen & melden", "1", "builder_fan_message"},
      {"F-0102", "Schmierung Bettbahn: Füllstand", "1", "other"},
      {"F-0777", "Regler: Schleppabstand", "3", "other"}},
     false},
    {"Osk",
     {"OS-520", "OS-430", "OS-210", "OS-105"},
     {{"osk.fan.lo", "Ventilador interno lento", "warn", "fan_warning"},
      {"osk.fan.stop", "Ventilador interno: paro de máquina", "stop", "fan_alarm"},
      {"osk.sink.stop", "Ventilador del disipador: paro de máquina", "stop", "heat_sink_fan_alarm"},
      {"PM/9014", "Aviso del fabricante: \"ventilación\"", "info", "builder_fan_message"},
      {"osk.door", "Puerta abierta en automático", "info", "other"},
      {"osk.lag", "Retraso de posición", "warn", "other"}},
     true},
    {"Velm 12",
     {"VL-9", "VL-6", "VL-2", "VL-1"},
     {{"0033", "Ventilador por debajo del límite", "20", "fan_warning"},
      {"0034", "Ventilador detenido", "90", "fan_alarm"},
      {"0050", "Ventilador del disipador detenido", "90", "heat_sink_fan_alarm"},
      {"B7-4", "Gabinete: revisar ventilación", "10", "builder_fan_message"},
      {"0008", "Nivel de refrigerante bajo", "10", "other"},
      {"0019", "Batería del codificador baja", "20", "other"}},
     false},
    {"Rusk 40",
     {"RK 700", "RK 340", "RK 110", "RK 050"},
     {{"R7.21", "Sürücü fanı yavaş", "uyarı", "fan_warning"},
      {"R7.22", "Sürücü fanı durdu", "alarm", "fan_alarm"},
      {"R7.40", "Soğutucu fanı durdu", "alarm", "heat_sink_fan_alarm"},
      {"M#3108", "Pano havalandırması: \"kontrol edin\"", "bilgi", "builder_fan_message"},
      {"R2.03", "Yağ seviyesi düşük", "bilgi", "other"},
      {"R4.11", "Takip hatası", "uyarı", "other"}},
     true},
};

static struct site sites[] = {
    {"MUE",
     "Wendelbrück Gehäusebau, Werk Mühlgrün",
     "Europe/Berlin",
     "A4",
     "instandhaltung@muehlgruen.example",
     "MUE-SP-07",
     1,
     {"Fräszentrum", "Drehzelle", "Schleifmaschine", "Bohrwerk"},
     {"Halle 1, Reihe B", "Halle 2, Übergang", "Halle 2, Reihe F"},
     {"J. Körner", "S. Bäuml", "T. Wieß"},
     NULL},
    {"PEN",
     "Wendelbrück de Norteamérica, planta Peñasol",
     "America/Monterrey",
     "Letter",
     "mantenimiento@penasol.example",
     "PEN-LO-12",
     -6,
     {"Fresadora", "Torno", "Rectificadora", "Mandriladora"},
     {"Nave 1, pasillo 3", "Nave 1, línea Ñ", "Nave 4, pasillo 1"},
     {"M. Ibáñez", "L. Ríos", "C. Muñoz"},
     NULL},
    {"CAM",
     "Wendelbrück Gövde Sanayi, Çamlıköy fabrikası",
     "Europe/Istanbul",
     "A4",
     "bakim@camlikoy.example",
     "CAM-KE-03",
     3,
     {"Freze", "Torna", "Taşlama", "Delik işleme"},
     {"Hol 1, sıra Ç", "Hol 3, sıra 2", "Hol 3, kuzey duvarı"},
     {"A. Yıldız", "E. Şahin", "G. Öztürk"},
     NULL},
};

enum { TARN, OSK, VELM, RUSK };
enum { MUE, PEN, CAM };

static struct source sources[] = {
    {.source = "mue-a",
     .site = MUE,
     .family = TARN,
     .machines = 4,
     .style = STYLE_PLAIN,
     .version = "1.3",
     .prefix = "",
     .clearing = CLEARS_BY_CODE,
     .moments = MOMENT_MICRO,
     .in_small = true,
     .empty_when_new = true},
    {.source = "mue-b",
     .site = MUE,
     .family = TARN,
     .machines = 3,
     .style = STYLE_PLAIN,
     .version = "1.3",
     .prefix = "m:",
     .clearing = CLEARS_BY_CODE,
     .moments = MOMENT_NO_ZONE,
     .empty_when_new = true},
    {.source = "mue-c",
     .site = MUE,
     .family = TARN,
     .machines = 4,
     .style = STYLE_PLAIN,
     .version = "1.3",
     .prefix = "",
     .clearing = CLEARS_BY_CODE,
     .moments = MOMENT_MICRO,
     .clock_offset_ms = 40 * MS_PER_S,
     .extension_type = true,
     .empty_when_new = true},
    {.source = "mue-d",
     .site = MUE,
     .family = TARN,
     .machines = 2,
     .style = STYLE_PLAIN,
     .version = "1.3",
     .prefix = "",
     .clearing = CLEARS_BY_CODE,
     .moments = MOMENT_MILLI,
     .forgets = true,
     .in_small = true},
    {.source = "pen-a",
     .site = PEN,
     .family = OSK,
     .machines = 3,
     .style = STYLE_COMPOSITION,
     .version = "1.6",
     .prefix = "",
     .clearing = CLEARS_BARE,
     .moments = MOMENT_MICRO,
     .in_small = true,
     .empty_when_new = true},
    {.source = "pen-b",
     .site = PEN,
     .family = OSK,
     .machines = 4,
     .style = STYLE_COMPOSITION,
     .version = "1.6",
     .prefix = "mt:",
     .clearing = CLEARS_BARE,
     .moments = MOMENT_MILLI,
     .empty_when_new = true},
    {.source = "pen-c",
     .site = PEN,
     .family = VELM,
     .machines = 3,
     .style = STYLE_COMPONENT,
     .version = "2.2",
     .prefix = "",
     .clearing = CLEARS_BARE,
     .moments = MOMENT_MILLI,
     .restarts = true,
     .in_small = true},
    {.source = "pen-d",
     .site = PEN,
     .family = VELM,
     .machines = 3,
     .style = STYLE_COMPONENT,
     .version = "2.3",
     .prefix = "",
     .clearing = CLEARS_BY_ID,
     .moments = MOMENT_MICRO},
    {.source = "cam-a",
     .site = CAM,
     .family = RUSK,
     .machines = 5,
     .style = STYLE_FEED,
     .empty_when_new = true,
     .clearing = CLEARS_BY_ID,
     .moments = MOMENT_MILLI,
     .in_small = true},
    {.source = "cam-b",
     .site = CAM,
     .family = RUSK,
     .machines = 4,
     .style = STYLE_FEED,
     .empty_when_new = true,
     .clearing = CLEARS_BY_ID,
     .moments = MOMENT_NO_ZONE},
    {.source = "cam-c",
     .site = CAM,
     .family = RUSK,
     .machines = 4,
     .style = STYLE_FEED,
     .empty_when_new = true,
     .clearing = CLEARS_BY_CODE,
     .moments = MOMENT_MICRO},
};

#define COUNT(array) (sizeof(array) / sizeof *(array))

void catalog_fill(struct fleet *f)
{
    f->parts = parts;
    f->part_count = COUNT(parts);
    f->fan_models = fan_models;
    f->fan_model_count = COUNT(fan_models);
    f->drive_models = drive_models;
    f->drive_model_count = COUNT(drive_models);
    f->families = families;
    f->family_count = COUNT(families);
    f->sites = sites;
    f->site_count = COUNT(sites);
    f->sources = NULL;
    for (size_t i = 0; i < COUNT(sources); i++) {
        if (f->options.small && !sources[i].in_small)
            continue;
        f->sources = grown(f->sources, f->source_count, sizeof *f->sources);
        f->sources[f->source_count] = sources[i];
        if (f->options.small)
            f->sources[f->source_count].machines = 1 + (f->source_count == 0);
        f->source_count++;
    }
}

int catalog_fan_model(const struct fleet *f, const char *key)
{
    for (size_t i = 0; i < f->fan_model_count; i++)
        if (strcmp(f->fan_models[i].fan_model, key) == 0)
            return (int)i;
    die("no fan model '%s'", key);
}

int catalog_drive_model(const struct fleet *f, const char *key)
{
    for (size_t i = 0; i < f->drive_model_count; i++)
        if (strcmp(f->drive_models[i].drive_model, key) == 0)
            return (int)i;
    die("no drive model '%s'", key);
}
