"""replay.c: a program for the host that replays vectors.csv and names the first mismatch."""

from collections.abc import Iterator
from typing import Final

from controllers.c.hardware import function_of, port_type, used_ports
from controllers.c.law_file import file_stem, shared_symbols
from controllers.c.types import c_type
from controllers.c.vectors import static_kinds
from controllers.kinds import MACHINE_KINDS
from controllers.play import random_inputs_shape
from controllers.program import Program

_TOP: Final = """\
/*
 * Replays vectors.csv on the host: gcc -std=c99 *.c && ./a.out [FILE]
 * Exit status: 0 every vector matches, 1 one does not (the first is named), 2 the file cannot be read.
 *
 * The law is included here with its handlers renamed, so that its static variables are in reach; the copy
 * that is compiled on its own beside this file is what a target would use.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
"""

_RUN: Final = """\
struct cell {
    long long whole; /* of an integer variable */
    double real;     /* of a float variable */
};

struct vector {
    int handler; /* index of replay_handlers */
    struct cell before[REPLAY_STATICS];
    int reads; /* what the hardware answers, in order */
    long long inputs[REPLAY_ACCESSES];
    int writes; /* what the hardware is told, in order: index of replay_outputs, value */
    int ports[REPLAY_ACCESSES];
    long long values[REPLAY_ACCESSES];
    struct cell after[REPLAY_STATICS];
};

static const struct vector *replay_now;
static unsigned long replay_line;
static int replay_reads;
static int replay_writes;
static int replay_failed;

static inline void replay_mismatch(const char *what, long long found, long long expected)
{
    if (!replay_failed) {
        printf("line %lu, %s: %s is %lld, expected %lld\\n", replay_line,
               replay_handlers[replay_now->handler].name, what, found, expected);
    }
    replay_failed = 1;
}

static inline void replay_whole(const char *name, long long found, long long expected)
{
    if (found != expected) {
        replay_mismatch(name, found, expected);
    }
}

static inline void replay_real(const char *name, double found, double expected)
{
    if (memcmp(&found, &expected, sizeof found) == 0 || (isnan(found) && isnan(expected))) {
        return;
    }
    if (!replay_failed) {
        printf("line %lu, %s: %s is %a, expected %a\\n", replay_line,
               replay_handlers[replay_now->handler].name, name, found, expected);
    }
    replay_failed = 1;
}

static inline long long replay_answer(void)
{
    if (replay_reads >= replay_now->reads) {
        replay_mismatch("number of hardware reads", replay_reads + 1, replay_now->reads);
        return 0;
    }
    return replay_now->inputs[replay_reads++];
}

static inline void replay_offer(int port, long long value)
{
    int n = replay_writes++;
    if (n >= replay_now->writes) {
        replay_mismatch("number of replay_outputs", replay_writes, replay_now->writes);
    } else if (port != replay_now->ports[n]) {
        replay_mismatch("index of the output called", port, replay_now->ports[n]);
    } else if (value != replay_now->values[n]) {
        replay_mismatch(replay_outputs[port], value, replay_now->values[n]);
    }
}
"""

_REPLAY: Final = """\
/* 1 where the vector matches */
int replay_vector(const struct vector *vector)
{
    replay_now = vector;
    replay_reads = replay_writes = replay_failed = 0;
    replay_set(vector->before);
    replay_handlers[vector->handler].call();
    if (!replay_failed && replay_reads != vector->reads) {
        replay_mismatch("number of hardware reads", replay_reads, vector->reads);
    }
    if (!replay_failed && replay_writes != vector->writes) {
        replay_mismatch("number of replay_outputs", replay_writes, vector->writes);
    }
    replay_compare(vector->after);
    return !replay_failed;
}
"""

_FILE: Final = """\
static int replay_port(const char *name, size_t length)
{
    int n;
    for (n = 0; n < REPLAY_OUTPUTS; n++) {
        if (strlen(replay_outputs[n]) == length && strncmp(replay_outputs[n], name, length) == 0) {
            return n;
        }
    }
    return -1;
}

static int replay_parse_inputs(struct vector *vector, char *text)
{
    char *end;
    for (vector->reads = 0; *text != '\\0'; vector->reads++) {
        if (vector->reads >= REPLAY_ACCESSES) {
            return 0;
        }
        vector->inputs[vector->reads] = strtoll(text, &end, 10);
        if (end == text) {
            return 0;
        }
        text = *end == ' ' ? end + 1 : end;
    }
    return 1;
}

static int replay_parse_outputs(struct vector *vector, char *text)
{
    char *end;
    for (vector->writes = 0; *text != '\\0'; vector->writes++) {
        char *sign = strchr(text, '=');
        if (sign == NULL || vector->writes >= REPLAY_ACCESSES) {
            return 0;
        }
        vector->ports[vector->writes] = replay_port(text, (size_t)(sign - text));
        vector->values[vector->writes] = strtoll(sign + 1, &end, 10);
        if (end == sign + 1 || vector->ports[vector->writes] < 0) {
            return 0;
        }
        text = *end == ' ' ? end + 1 : end;
    }
    return 1;
}

static int replay_parse_statics(struct cell *replay_cells, char **fields)
{
    char *end = NULL;
    int n;
    for (n = 0; n < REPLAY_COLUMNS; n++) {
        if (replay_is_real[n]) {
            replay_cells[n].real = strtod(fields[n], &end);
        } else {
            replay_cells[n].whole = strtoll(fields[n], &end, 10);
        }
        if (end == fields[n] || *end != '\\0') {
            return 0;
        }
    }
    return 1;
}

static int replay_parse(struct vector *vector, char *line)
{
    char *fields[2 * REPLAY_COLUMNS + 3];
    int count = 0;
    line[strcspn(line, "\\r\\n")] = '\\0';
    while (line != NULL && count < 2 * REPLAY_COLUMNS + 3) {
        char *comma = strchr(line, ',');
        fields[count++] = line;
        if (comma != NULL) {
            *comma = '\\0';
            comma++;
        }
        line = comma;
    }
    if (line != NULL || count != 2 * REPLAY_COLUMNS + 3) {
        return 0;
    }
    for (vector->handler = 0; strcmp(replay_handlers[vector->handler].name, fields[0]) != 0;) {
        if (++vector->handler >= REPLAY_HANDLERS) {
            return 0;
        }
    }
    return replay_parse_statics(vector->before, fields + 1) &&
           replay_parse_inputs(vector, fields[REPLAY_COLUMNS + 1]) &&
           replay_parse_outputs(vector, fields[REPLAY_COLUMNS + 2]) &&
           replay_parse_statics(vector->after, fields + REPLAY_COLUMNS + 3);
}

/* FILE, or vectors.csv beside this source, or in the working folder */
static FILE *replay_open(int count, char **words)
{
    static const char source[] = __FILE__;
    static char path[sizeof source + 16];
    const char *slash = strrchr(source, '/');
    FILE *file;
    if (count > 1) {
        return fopen(words[1], "r");
    }
    if (slash != NULL) {
        memcpy(path, source, (size_t)(slash + 1 - source));
    }
    strcat(path, "vectors.csv");
    file = fopen(path, "r");
    return file != NULL ? file : fopen("vectors.csv", "r");
}

int main(int count, char **words)
{
    static char line[REPLAY_LINE];
    static struct vector vector;
    unsigned long replayed = 0;
    FILE *file = replay_open(count, words);
    if (file == NULL) {
        fprintf(stderr, "vectors.csv cannot be opened; give its path\\n");
        return 2;
    }
    while (fgets(line, REPLAY_LINE, file) != NULL) {
        replay_line++;
        if (line[0] == '#' || strncmp(line, "handler,", 8) == 0) {
            continue;
        }
        if (!replay_parse(&vector, line)) {
            fprintf(stderr, "line %lu is no vector of this law\\n", replay_line);
            return 2;
        }
        if (!replay_vector(&vector)) {
            return 1;
        }
        replayed++;
    }
    fclose(file);
    printf("%lu vectors match\\n", replayed);
    return replayed > 0 ? 0 : 2;
}
"""


def replay_text(program: Program, mark: str) -> str:
    """The replay program of a law; `mark` is its first line."""
    parts = [f"{mark}\n{_TOP}", _include(program), _tables(program), _RUN, _hardware(program)]
    return "\n".join([*parts, _statics(program), _REPLAY, _FILE])


def _include(program: Program) -> str:
    lines = [f"#define {name} replayed_{name}" for name in program.handlers]
    return "\n".join([*lines, f'#include "{file_stem(program)}.c"']) + "\n"


def _tables(program: Program) -> str:
    """Sizes, handlers, outputs and which static variables are floats."""
    kinds, (_, written) = static_kinds(program), used_ports(program)
    accesses = random_inputs_shape(program, 0)[1]
    sizes = {
        "REPLAY_HANDLERS": len(program.handlers),
        "REPLAY_OUTPUTS": len(written),
        "REPLAY_COLUMNS": len(kinds),
        "REPLAY_STATICS": max(1, len(kinds)),
        "REPLAY_ACCESSES": accesses,
        "REPLAY_LINE": 256 + 64 * (len(kinds) + accesses),
    }
    calls = "".join(f'    {{"{name}", replayed_{name}}},\n' for name in program.handlers)
    names = "".join(f'    "{function_of(port.name)}",\n' for port in written)
    flags = ", ".join(str(int(kind.is_float)) for kind in kinds) or "0"
    return "".join(
        [
            *(f"#define {name} {value}\n" for name, value in sizes.items()),
            "\nstatic const struct {\n    const char *name;\n    void (*call)(void);\n}",
            f" replay_handlers[] = {{\n{calls}}};\n",
            f"static const char *const replay_outputs[] = {{\n{names or '    NULL,' + chr(10)}}};\n",
            f"static const char replay_is_real[REPLAY_STATICS] = {{{flags}}};\n",
        ]
    )


def _hardware(program: Program) -> str:
    read, written = used_ports(program)
    lines: list[str] = []
    for port in read:
        own = port_type(port, program)
        lines.append(f"{own} {function_of(port.name)}(void)\n{{\n    return ({own})replay_answer();\n}}\n")
    for index, port in enumerate(written):
        head = f"void {function_of(port.name)}({port_type(port, program)} value)"
        lines.append(f"{head}\n{{\n    replay_offer({index}, (long long)value);\n}}\n")
    return "\n".join(lines)


def _statics(program: Program) -> str:
    setting, comparing = zip(*_static_lines(program), strict=True) if program.statics else ((), ())
    unused = "" if program.statics else "    (void)replay_cells;\n"
    return (
        f"static void replay_set(const struct cell *replay_cells)\n{{\n{unused}{''.join(setting)}}}\n\n"
        f"static void replay_compare(const struct cell *replay_cells)\n{{\n{unused}{''.join(comparing)}}}\n"
    )


def _static_lines(program: Program) -> Iterator[tuple[str, str]]:
    names = shared_symbols(program).statics
    for column, (name, slot) in enumerate(program.statics.items()):
        kind = MACHINE_KINDS[program.slot_kinds[slot]]
        word, wide = ("real", "double") if kind.is_float else ("whole", "long long")
        yield (
            f"    {names[slot]} = ({c_type(kind)})replay_cells[{column}].{word};\n",
            f'    replay_{word}("{name}", ({wide}){names[slot]}, replay_cells[{column}].{word});\n',
        )
