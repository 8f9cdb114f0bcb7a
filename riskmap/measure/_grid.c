/* Exact distances from many points to many segments, through a uniform grid of cells.
 *
 * Arrays come in through the buffer protocol and are allocated by the caller (riskmap/measure/grid.py). Vertices stay
 * where they stand, in the well-known binary of the features; what is multiplied is counted from the point or from a
 * corner of the grid first, so that products keep their digits. Work is done with the interpreter lock released; nothing
 * here keeps state, so threads may share arrays.
 */
#define Py_LIMITED_API 0x030B0000
#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <float.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#ifdef __SSE2__
#include <emmintrin.h>
#endif

#ifndef M_PI
#define M_PI 3.14159265358979323846
#endif
#define NEAR_CENTRE 1e-9 /* a ring nearer than this to the centre of a cell leaves in doubt what holds it */
#define MANY 16 /* segments of a stretch that are worth a first glance */
#define AHEAD 8 /* features whose bytes are fetched before they are read */
#define BATCH 32 /* points whose cells are fetched together, so that one wait for memory serves them all */
#if defined(__GNUC__)
#define FETCH(at) __builtin_prefetch(at)
#else
#define FETCH(at) ((void)(at))
#endif
#define PARTS 255 /* of a cell, to tell where a stretch lies in it */
#define WIDEN 1e-6 /* cells take in what passes this near, so that no segment slips between two */

/* Buffers ---------------------------------------------------------------------------------------------------- */

typedef struct {
    Py_buffer view;
    void *at;
    Py_ssize_t n; /* items */
    int held;
} Array;

static int take(PyObject *from, Array *array, Py_ssize_t item, int writable, const char *name) {
    array->held = 0;
    if (PyObject_GetBuffer(from, &array->view, writable ? PyBUF_CONTIG : PyBUF_CONTIG_RO) < 0) return -1;
    array->held = 1;
    if (array->view.itemsize != item) {
        PyErr_Format(PyExc_TypeError, "%s: items of %zd bytes, not %zd", name, array->view.itemsize, item);
        return -1;
    }
    array->at = array->view.buf;
    array->n = array->view.len / item;
    return 0;
}

static void let_go(Array *arrays, int count) {
    for (int i = 0; i < count; i++)
        if (arrays[i].held) PyBuffer_Release(&arrays[i].view);
}

static PyObject *short_array(const char *name) {
    PyErr_Format(PyExc_ValueError, "%s has the wrong length", name);
    return NULL;
}

/* Grid ------------------------------------------------------------------------------------------------------- */

typedef struct {
    double x, y, cell; /* corner, in the coordinates of the points and features */
    int64_t columns, rows;
    double per_m; /* cells to a metre */
} Grid;

/* Segments of one ring or line that follow each other in a cell: `many` of them from the vertex at `at` of the bytes of
 * all features, where they stay; none where it is a single point. What of them lies in the cell lies between west and
 * east, south and north, in parts of the cell; what lies outside stands in the next cell, too. */
typedef struct {
    int64_t at;
    int32_t many, owner, part;
    uint8_t west, south, east, north;
} Stretch;

typedef struct {
    double west, south, east, north; /* from the corner of the grid */
} Box;

/* A stretch, and the cell it lies in. */
typedef struct {
    int64_t cell;
    Stretch stretch;
} Met;

/* Row or column of a place given in cells: -1 before the first, `most` past the last. */
static inline int64_t cell_of(double place, int64_t most) {
    return !(place >= 0) ? -1 : place >= (double)most ? most : (int64_t)place;
}

static inline int64_t at_least(int64_t value, int64_t least) { return value < least ? least : value; }

static inline int64_t at_most(int64_t value, int64_t most) { return value > most ? most : value; }

/* The least and the most of two, without a branch, which would be guessed wrong half the time. */
#ifdef __SSE2__
static inline double least(double a, double b) { return _mm_cvtsd_f64(_mm_min_sd(_mm_set_sd(a), _mm_set_sd(b))); }
static inline double most(double a, double b) { return _mm_cvtsd_f64(_mm_max_sd(_mm_set_sd(a), _mm_set_sd(b))); }
#else
static inline double least(double a, double b) { return a < b ? a : b; }
static inline double most(double a, double b) { return a > b ? a : b; }
#endif

static int grid_sound(const Grid *g, Py_ssize_t cells) {
    return g->cell > 0 && g->columns > 0 && g->rows > 0 && g->columns < (1LL << 31) && g->rows < (1LL << 31) &&
           g->columns * g->rows == cells;
}

typedef struct {
    int32_t *item;
    int64_t n, room;
} Pairs; /* grows as needed; two numbers each */

static int push(Pairs *pairs, int32_t one, int32_t two) {
    if (pairs->n + 2 > pairs->room) {
        int64_t room = pairs->room ? pairs->room * 2 : 1024;
        int32_t *more = realloc(pairs->item, (size_t)room * sizeof(int32_t));
        if (!more) return -1;
        pairs->item = more;
        pairs->room = room;
    }
    pairs->item[pairs->n++] = one;
    pairs->item[pairs->n++] = two;
    return 0;
}

/* Well-known binary ------------------------------------------------------------------------------------------ */

enum { RINGS = 1, LINES = 2, POINTS = 4 };
enum { SURVEY, MEET };
enum { FAULT = -1, NO_MEMORY = -2, UNLUCKY = -3 };

typedef struct {
    const unsigned char *at, *end;
} Cursor;

typedef struct {
    int task, want; /* want: RINGS, LINES, POINTS added up */
    Grid g;
    int64_t row_from, row_to; /* the band of rows at work; another thread has the others */
    const uint8_t *wanted;    /* cells some point may look into; the rest stay empty */
    int32_t feature, part;
    /* SURVEY */
    double *box;    /* west south east north of one feature */
    int64_t *count; /* ring segments, other segments, polygons */
    /* MEET; start[c + 2] counts cell c */
    const unsigned char *wkb;
    uint32_t *start;
    Met *met;
    int64_t met_n, met_room, open; /* open: the stretch that the next segment goes on with, -1: none */
    Box lies;                      /* where it lies so far */
    /* MEET of rings: which polygons hold the centres of the cells listed */
    const int64_t *row_start, *column;
    int centres;  /* whether the feature at hand may hold any */
    double *ring; /* segments of the polygon at hand */
    int64_t ring_n, ring_room;
    double *cross;
    int64_t cross_room, *row_at, row_room;
    Pairs holders;
} Visit;

static int need(const Cursor *c, int64_t bytes) { return c->end - c->at >= bytes; }

static uint32_t u32(Cursor *c) {
    uint32_t v;
    memcpy(&v, c->at, 4);
    c->at += 4;
    return v;
}

static void xy_at(const unsigned char *at, double *x, double *y) {
    memcpy(x, at, 8);
    memcpy(y, at + 8, 8);
}

static int room_for(void **what, int64_t *room, int64_t wanted, size_t item) {
    if (wanted <= *room) return 0;
    void *more = realloc(*what, (size_t)(2 * wanted) * item);
    if (!more) return NO_MEMORY;
    *what = more;
    *room = 2 * wanted;
    return 0;
}

static inline Box round_both(Box a, Box b) {
    return (Box){least(a.west, b.west), least(a.south, b.south), most(a.east, b.east), most(a.north, b.north)};
}

static inline uint8_t part_of_cell(double parts) { return (uint8_t)most(least(parts, PARTS), 0); }

/* Write down where a stretch lies. */
static void seal(Visit *v, int64_t which, Box box) {
    if (which < 0) return;
    const Grid *g = &v->g;
    Met *met = v->met + which;
    double west = (double)(met->cell % g->columns) * g->cell, south = (double)(met->cell / g->columns) * g->cell;
    double parts = PARTS * g->per_m;
    met->stretch.west = part_of_cell((box.west - west) * parts);
    met->stretch.south = part_of_cell((box.south - south) * parts);
    met->stretch.east = part_of_cell((box.east - west) * parts + 1);
    met->stretch.north = part_of_cell((box.north - south) * parts + 1);
}

/* A new stretch, from the vertex `at`; -1 where nobody looks into the cell. */
static inline int64_t begin(Visit *v, int64_t at, int32_t many, int64_t cell) {
    if (!v->wanted[cell]) return -1;
    if (v->met_n == v->met_room && room_for((void **)&v->met, &v->met_room, v->met_n + 512, sizeof(Met)) < 0) return NO_MEMORY;
    v->met[v->met_n] = (Met){cell, {at, many, v->feature, v->part, 0, 0, 0, 0}};
    v->start[cell + 2]++;
    return v->met_n++;
}

/* The cell of the band that a place lies well inside of; -1 where it is on its border, or in none. */
static inline int64_t well_inside(const Visit *v, double x, double y) {
    const Grid *g = &v->g;
    double across = x * g->per_m, up = y * g->per_m, border = WIDEN * g->per_m;
    if (!(across >= 0 && across < (double)g->columns && up >= (double)v->row_from && up < (double)v->row_to)) return -1;
    int64_t column = (int64_t)across, row = (int64_t)up;
    double east = across - (double)column, north = up - (double)row;
    int well = (east > border) & (east < 1 - border) & (north > border) & (north < 1 - border);
    return well ? row * g->columns + column : -1;
}

/* A segment into all cells it crosses; each that it comes near to, so that none slips between two. The next one goes on
 * where this one ends, in `to`. */
static int into_cells(Visit *v, const double *s, int64_t at, int32_t many, int64_t to) {
    const Grid *g = &v->g;
    const Box whole = {least(s[0], s[2]) - WIDEN, least(s[1], s[3]) - WIDEN, most(s[0], s[2]) + WIDEN, most(s[1], s[3]) + WIDEN};
    int64_t c0 = cell_of(whole.west * g->per_m, g->columns), c1 = cell_of(whole.east * g->per_m, g->columns);
    int64_t r0 = cell_of(whole.south * g->per_m, g->rows), r1 = cell_of(whole.north * g->per_m, g->rows);
    int64_t before = v->open, next = -1;
    Box lies = v->lies;
    int narrow = c0 == c1 || r0 == r1; /* one row or column: it crosses all of them */
    double dx = s[2] - s[0], dy = s[3] - s[1];
    int64_t first = at_least(r0, v->row_from), last = at_most(r1, v->row_to - 1);
    if (c1 < 0 || r1 < v->row_from || c0 >= g->columns || r0 >= v->row_to) last = first - 1;
    for (int64_t r = first; r <= last; r++) {
        int64_t a = c0, b = c1;
        Box box = whole;
        if (!narrow) {
            double low = ((double)r * g->cell - WIDEN - s[1]) / dy, high = ((double)(r + 1) * g->cell + WIDEN - s[1]) / dy;
            low = low < 0 ? 0 : low > 1 ? 1 : low;
            high = high < 0 ? 0 : high > 1 ? 1 : high;
            double xa = s[0] + low * dx, xb = s[0] + high * dx;
            box.west = least(xa, xb) - WIDEN, box.east = most(xa, xb) + WIDEN;
            a = cell_of(box.west * g->per_m, g->columns);
            b = cell_of(box.east * g->per_m, g->columns);
        }
        for (int64_t c = at_least(a, 0), end = at_most(b, g->columns - 1); c <= end; c++) {
            int64_t cell = r * g->columns + c;
            if (before >= 0 && v->met[before].cell == cell) {
                v->met[before].stretch.many++;
                lies = round_both(lies, box);
                continue;
            }
            int64_t new = begin(v, at, many, cell);
            if (new == NO_MEMORY) return NO_MEMORY;
            if (cell == to) next = new, v->lies = box;
            else seal(v, new, box);
        }
    }
    seal(v, before, lies);
    v->open = next;
    return 0;
}

/* One run of vertices: a ring, a line, or a single point. */
static int run(Cursor *c, Visit *v, uint32_t vertices, int kind) {
    if (!need(c, (int64_t)vertices * 16)) return FAULT;
    const unsigned char *at = c->at;
    c->at += (int64_t)vertices * 16;
    if (!vertices) return 0;
    int64_t segments = vertices > 1 ? (int64_t)vertices - 1 : 1;
    double s[4];
    if (v->task == SURVEY) {
        for (uint32_t i = 0; i < vertices; i++) {
            xy_at(at + (int64_t)i * 16, &s[0], &s[1]);
            if (!isfinite(s[0]) || !isfinite(s[1])) return FAULT;
            if (s[0] < v->box[0]) v->box[0] = s[0];
            if (s[1] < v->box[1]) v->box[1] = s[1];
            if (s[0] > v->box[2]) v->box[2] = s[0];
            if (s[1] > v->box[3]) v->box[3] = s[1];
        }
        v->count[kind == RINGS ? 0 : 1] += segments;
        return 0;
    }
    if (!(kind & v->want)) return 0;
    int keep = kind == RINGS && v->centres, bad;
    int32_t many = vertices > 1;
    if (keep && (bad = room_for((void **)&v->ring, &v->ring_room, v->ring_n + segments, 32)) < 0) return bad;
    xy_at(at, &s[0], &s[1]);
    s[0] -= v->g.x, s[1] -= v->g.y;
    int64_t from = well_inside(v, s[0], s[1]), first = at - v->wkb;
    v->open = -1;
    for (int64_t i = 0; i < segments; i++) {
        if (vertices > 1) {
            xy_at(at + (i + 1) * 16, &s[2], &s[3]);
            s[2] -= v->g.x, s[3] -= v->g.y;
        } else {
            s[2] = s[0], s[3] = s[1];
        }
        int64_t to = well_inside(v, s[2], s[3]);
        if (from != to || to < 0) {
            bad = into_cells(v, s, first + i * 16, many, to);
        } else {
            Box box = {s[0], s[1], s[0], s[1]}, end = {s[2], s[3], s[2], s[3]};
            bad = 0;
            if (v->open >= 0) v->met[v->open].stretch.many++, v->lies = round_both(v->lies, end);
            else if ((v->open = begin(v, first + i * 16, many, to)) == NO_MEMORY) bad = NO_MEMORY;
            else v->lies = round_both(box, end);
        }
        if (bad < 0) return bad;
        if (keep) memcpy(v->ring + 4 * v->ring_n++, s, 32);
        s[0] = s[2], s[1] = s[3], from = to;
    }
    seal(v, v->open, v->lies);
    return 0;
}

static int polygon_done(Visit *v);

static int walk(Cursor *c, Visit *v, int depth) {
    if (depth > 32 || !need(c, 5) || *c->at++ != 1) return FAULT;
    uint32_t type = u32(c), many, vertices;
    int bad;
    switch (type) {
    case 1: { /* point; an empty one is written as nan */
        double x, y;
        if (!need(c, 16)) return FAULT;
        xy_at(c->at, &x, &y);
        if (isnan(x) && isnan(y)) {
            c->at += 16;
            return 0;
        }
        return run(c, v, 1, POINTS);
    }
    case 2:
        if (!need(c, 4)) return FAULT;
        vertices = u32(c);
        return run(c, v, vertices, LINES);
    case 3:
        if (!need(c, 4)) return FAULT;
        many = u32(c);
        v->ring_n = 0;
        for (uint32_t i = 0; i < many; i++) {
            if (!need(c, 4)) return FAULT;
            vertices = u32(c);
            if ((bad = run(c, v, vertices, RINGS)) < 0) return bad;
        }
        if (v->task == SURVEY) v->count[2]++;
        else if (v->want & RINGS) return polygon_done(v);
        return 0;
    case 4:
    case 5:
    case 6:
    case 7:
        if (!need(c, 4)) return FAULT;
        many = u32(c);
        for (uint32_t i = 0; i < many; i++)
            if ((bad = walk(c, v, depth + 1)) < 0) return bad;
        return 0;
    default: /* heights, measures, curves: not for us */
        return FAULT;
    }
}

static Cursor feature_at(const Array *wkb, const int64_t *offset, int64_t i) {
    Cursor c = {(const unsigned char *)wkb->at + offset[i], (const unsigned char *)wkb->at + offset[i + 1]};
    return c;
}

static int offsets_sound(const Array *wkb, const Array *offsets) {
    const int64_t *offset = offsets->at;
    if (offsets->n < 1 || offset[0] < 0 || offset[offsets->n - 1] > wkb->n) return 0;
    for (Py_ssize_t i = 1; i < offsets->n; i++)
        if (offset[i] < offset[i - 1]) return 0;
    return 1;
}

PyDoc_STRVAR(survey_doc, "survey(wkb, offsets, box, count): bounds and counts of every feature, filled in.\n\n"
                         "Returns the number of features read; fewer than all: the next one is not plain 2D.");
static PyObject *survey(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[4], *answer = NULL;
    Array a[4] = {0};
    if (!PyArg_ParseTuple(args, "OOOO", &from[0], &from[1], &from[2], &from[3])) return NULL;
    if (take(from[0], &a[0], 1, 0, "wkb") < 0 || take(from[1], &a[1], 8, 0, "offsets") < 0 ||
        take(from[2], &a[2], 8, 1, "box") < 0 || take(from[3], &a[3], 8, 1, "count") < 0)
        goto done;
    int64_t n = a[1].n - 1, i = 0;
    if (!offsets_sound(&a[0], &a[1])) {
        short_array("offsets");
        goto done;
    }
    if (a[2].n < 4 * n || a[3].n < 3 * n) {
        short_array("box");
        goto done;
    }
    PyThreadState *state = PyEval_SaveThread();
    for (; i < n; i++) {
        Visit v = {.task = SURVEY};
        v.box = (double *)a[2].at + 4 * i;
        v.count = (int64_t *)a[3].at + 3 * i;
        v.box[0] = v.box[1] = INFINITY;
        v.box[2] = v.box[3] = -INFINITY;
        v.count[0] = v.count[1] = v.count[2] = 0;
        Cursor c = feature_at(&a[0], a[1].at, i);
        if (c.at < c.end && walk(&c, &v, 0) < 0) break; /* a null feature takes no bytes */
    }
    PyEval_RestoreThread(state);
    answer = PyLong_FromLongLong(i);
done:
    let_go(a, 4);
    return answer;
}

/* Which polygons hold a centre ------------------------------------------------------------------------------- */

static int by_value(const void *one, const void *two) {
    double a = *(const double *)one, b = *(const double *)two;
    return a < b ? -1 : a > b;
}

/* Rows of the band whose centre line may be crossed between two heights: no crossing is missed by a rounding. */
static inline int centre_rows(const Visit *v, double one, double two, int64_t *first, int64_t *last) {
    double south = least(one, two) * v->g.per_m, north = most(one, two) * v->g.per_m;
    *first = at_least(cell_of(south + (0.5 - WIDEN), v->g.rows), v->row_from);
    *last = at_most(cell_of(north - (0.5 - WIDEN), v->g.rows), v->row_to - 1);
    return *first <= *last;
}

/* Whether any cell listed, in these rows, has its column between two places. */
static int any_listed(const Visit *v, int64_t first, int64_t last, double west, double east) {
    for (int64_t r = first; r <= last; r++) {
        int64_t low = v->row_start[r], high = v->row_start[r + 1], end = high;
        while (low < high) {
            int64_t middle = low + (high - low) / 2;
            if ((double)v->column[middle] < west) low = middle + 1;
            else high = middle;
        }
        if (low < end && (double)v->column[low] <= east) return 1;
    }
    return 0;
}

static inline int crosses_centre(const Grid *g, const double *s, int64_t row, double *x) {
    double centre = ((double)row + 0.5) * g->cell;
    if ((s[1] > centre) == (s[3] > centre)) return 0;
    *x = s[0] + (centre - s[1]) / (s[3] - s[1]) * (s[2] - s[0]);
    return 1;
}

/* Cells listed in one row, from the crossings of its centre line, sorted: in from the first to the second, ... */
static int hold_row(Visit *v, int64_t row, double *x, int64_t many) {
    const Grid *g = &v->g;
    int64_t first = v->row_start[row], end = v->row_start[row + 1];
    if (many == 2) {
        if (x[0] > x[1]) {
            double swap = x[0];
            x[0] = x[1], x[1] = swap;
        }
    } else {
        qsort(x, (size_t)many, sizeof(double), by_value);
    }
    for (int64_t k = 0; k + 1 < many; k += 2) {
        double west = x[k] / g->cell - 0.5, east = x[k + 1] / g->cell - 0.5;
        double off = fabs(west - nearbyint(west)), off2 = fabs(east - nearbyint(east));
        if ((off < off2 ? off : off2) * g->cell < NEAR_CENTRE) return UNLUCKY;
        int64_t low = first, high = end; /* to the first column listed past west */
        while (low < high) {
            int64_t middle = low + (high - low) / 2;
            if ((double)v->column[middle] <= west) low = middle + 1;
            else high = middle;
        }
        for (; low < end && (double)v->column[low] <= east; low++)
            if (push(&v->holders, (int32_t)low, v->part) < 0) return NO_MEMORY;
    }
    return 0;
}

static int hold_centres(Visit *v) {
    const Grid *g = &v->g;
    const double *ring = v->ring;
    int64_t low, high, r0, r1;
    double x, west = INFINITY, east = -INFINITY, south = INFINITY, north = -INFINITY;
    int bad;
    for (int64_t i = 0; i < 2 * v->ring_n; i++) { /* both ends: nobody has checked that rings are closed */
        x = ring[2 * i];
        west = x < west ? x : west, east = x > east ? x : east;
        x = ring[2 * i + 1];
        south = x < south ? x : south, north = x > north ? x : north;
    }
    if (!v->ring_n || !centre_rows(v, south, north, &low, &high)) return 0;
    if (!any_listed(v, low, high, west / g->cell - 1, east / g->cell)) return 0;
    int64_t span = high - low + 1;
    if ((bad = room_for((void **)&v->row_at, &v->row_room, span + 2, sizeof(int64_t))) < 0) return bad;
    int64_t *at = v->row_at; /* at[r + 1]: where the crossings of row r start; its end once they are in */
    memset(at, 0, (size_t)(span + 2) * sizeof(int64_t));
    for (int64_t i = 0; i < v->ring_n; i++)
        if (centre_rows(v, ring[4 * i + 1], ring[4 * i + 3], &r0, &r1))
            for (int64_t r = r0; r <= r1; r++) at[r - low + 2] += crosses_centre(g, ring + 4 * i, r, &x);
    for (int64_t r = 0; r < span; r++) at[r + 2] += at[r + 1];
    if ((bad = room_for((void **)&v->cross, &v->cross_room, at[span + 1], sizeof(double))) < 0) return bad;
    for (int64_t i = 0; i < v->ring_n; i++)
        if (centre_rows(v, ring[4 * i + 1], ring[4 * i + 3], &r0, &r1))
            for (int64_t r = r0; r <= r1; r++)
                if (crosses_centre(g, ring + 4 * i, r, &x)) v->cross[at[r - low + 1]++] = x;
    for (int64_t r = 0; r < span; r++)
        if (at[r + 1] > at[r] && v->row_start[low + r + 1] > v->row_start[low + r])
            if ((bad = hold_row(v, low + r, v->cross + at[r], at[r + 1] - at[r])) < 0) return bad;
    return 0;
}

static int polygon_done(Visit *v) {
    int bad = v->centres ? hold_centres(v) : 0;
    v->part++;
    return bad;
}

/* Cells ------------------------------------------------------------------------------------------------------ */

typedef struct {
    Array wkb, offsets, chosen, part_first, box, wanted, start;
} Common;

/* Whether a feature's bounds hold the centre of a cell listed. */
static int may_hold(const Visit *v, const double *box) {
    const Grid *g = &v->g;
    int64_t low, high;
    return centre_rows(v, box[1] - g->y, box[3] - g->y, &low, &high) &&
           any_listed(v, low, high, (box[0] - g->x) / g->cell - 1, (box[2] - g->x) / g->cell);
}

/* Whether a feature's bounds hold a cell of the band that is wanted; large ones are not looked through. */
static int worth_it(const Visit *v, const double *box) {
    const Grid *g = &v->g;
    int64_t c0 = at_least(cell_of((box[0] - WIDEN - g->x) * g->per_m, g->columns), 0);
    int64_t c1 = at_most(cell_of((box[2] + WIDEN - g->x) * g->per_m, g->columns), g->columns - 1);
    int64_t r0 = at_least(cell_of((box[1] - WIDEN - g->y) * g->per_m, g->rows), v->row_from);
    int64_t r1 = at_most(cell_of((box[3] + WIDEN - g->y) * g->per_m, g->rows), v->row_to - 1);
    if (c0 > c1 || r0 > r1) return 0;
    if ((c1 - c0 + 1) * (r1 - r0 + 1) > 256) return 1;
    for (int64_t r = r0; r <= r1; r++)
        if (memchr(v->wanted + r * g->columns + c0, 1, (size_t)(c1 - c0 + 1))) return 1;
    return 0;
}

static int visit_all(Visit *v, const Common *common) {
    const int64_t *chosen = common->chosen.at;
    const int32_t *part_first = common->part_first.at;
    int bad = 0;
    PyThreadState *state = PyEval_SaveThread();
    for (Py_ssize_t i = 0; i < common->chosen.n && bad >= 0; i++) {
        if (i + 2 * AHEAD < common->chosen.n) {
            int64_t then = chosen[i + 2 * AHEAD];
            FETCH((const double *)common->box.at + 4 * then), FETCH((const int64_t *)common->offsets.at + then);
            FETCH(part_first + then);
        }
        if (i + AHEAD < common->chosen.n) {
            Cursor next = feature_at(&common->wkb, common->offsets.at, chosen[i + AHEAD]);
            for (int line = 0; line < 6 && next.at + 64 * line < next.end; line++) FETCH(next.at + 64 * line);
        }
        if (!worth_it(v, (const double *)common->box.at + 4 * chosen[i])) continue;
        Cursor c = feature_at(&common->wkb, common->offsets.at, chosen[i]);
        v->feature = (int32_t)chosen[i];
        v->part = part_first[chosen[i]];
        v->centres = v->want & RINGS && may_hold(v, (const double *)common->box.at + 4 * chosen[i]);
        if (c.at < c.end) bad = walk(&c, v, 0);
    }
    PyEval_RestoreThread(state);
    return bad;
}

static int take_common(PyObject **from, Common *common, Visit *v) {
    if (take(from[0], &common->wkb, 1, 0, "wkb") < 0 || take(from[1], &common->offsets, 8, 0, "offsets") < 0 ||
        take(from[2], &common->chosen, 8, 0, "chosen") < 0 ||
        take(from[3], &common->part_first, 4, 0, "part_first") < 0 ||
        take(from[4], &common->box, 8, 0, "box") < 0 || take(from[5], &common->wanted, 1, 0, "wanted") < 0 ||
        take(from[6], &common->start, 4, 1, "start") < 0)
        return -1;
    int64_t features = common->offsets.n - 1;
    int sound = offsets_sound(&common->wkb, &common->offsets) && features < INT32_MAX &&
                common->part_first.n == features && common->box.n == 4 * features && grid_sound(&v->g, common->start.n - 2) &&
                common->wanted.n == common->start.n - 2 && v->row_from >= 0 && v->row_to <= v->g.rows;
    for (Py_ssize_t i = 0; sound && i < common->chosen.n; i++) {
        int64_t feature = ((const int64_t *)common->chosen.at)[i];
        sound = feature >= 0 && feature < features;
    }
    if (!sound) {
        short_array("chosen, part_first, box, wanted or start");
        return -1;
    }
    v->wkb = common->wkb.at;
    v->start = common->start.at;
    v->wanted = common->wanted.at;
    return 0;
}

PyDoc_STRVAR(meet_doc,
             "meet(wkb, offsets, chosen, part_first, box, kinds, x, y, cell, columns, rows, row_from, row_to, wanted, start,\n"
             "     row_start, column)\n\n"
             "Which cells of one band of rows the chosen features meet (kinds: rings 1, lines 2, points 4, added up). The\n"
             "number of stretches in cell c goes to start[c + 2] (two more items than cells, zeros at first). For rings, also\n"
             "which polygons hold the centre of each cell listed (columns by row, ascending). Returns bytes of stretches with\n"
             "their cells, for `fill`, and bytes of int32 pairs (place in the list, polygon), or None where a ring passes so\n"
             "near a centre that the corner has to be moved. Polygons of feature f are numbered from part_first[f].");
static PyObject *meet(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[9], *answer = NULL;
    Common common = {0};
    Array list[2] = {0};
    Visit v = {.task = MEET};
    long long columns, rows, row_from, row_to;
    if (!PyArg_ParseTuple(args, "OOOOOidddLLLLOOOO", &from[0], &from[1], &from[2], &from[3], &from[4], &v.want, &v.g.x,
                          &v.g.y, &v.g.cell, &columns, &rows, &row_from, &row_to, &from[5], &from[6], &from[7], &from[8]))
        return NULL;
    v.g.columns = columns, v.g.rows = rows, v.g.per_m = 1 / v.g.cell, v.row_from = row_from, v.row_to = row_to;
    if (take_common(from, &common, &v) < 0 || take(from[7], &list[0], 8, 0, "row_start") < 0 ||
        take(from[8], &list[1], 8, 0, "column") < 0)
        goto done;
    v.row_start = list[0].at, v.column = list[1].at;
    int sound = list[0].n == rows + 1 && list[1].n < INT32_MAX && v.row_start[0] == 0 && v.row_start[rows] == list[1].n;
    for (int64_t r = 0; sound && r < rows; r++) sound = v.row_start[r] <= v.row_start[r + 1];
    if (!sound) {
        short_array("row_start");
        goto done;
    }
    int bad = visit_all(&v, &common);
    if (bad == NO_MEMORY) PyErr_NoMemory();
    else if (bad == UNLUCKY) answer = Py_NewRef(Py_None);
    else if (bad < 0 || v.met_n >= UINT32_MAX) short_array("wkb");
    else
        answer = Py_BuildValue("y#y#", v.met_n ? (const char *)v.met : "", (Py_ssize_t)(v.met_n * (int64_t)sizeof(Met)),
                               v.holders.n ? (const char *)v.holders.item : "",
                               (Py_ssize_t)(v.holders.n * (int64_t)sizeof(int32_t)));
done:
    free(v.met);
    free(v.ring);
    free(v.cross);
    free(v.row_at);
    free(v.holders.item);
    let_go((Array *)&common, 7);
    let_go(list, 2);
    return answer;
}

PyDoc_STRVAR(fill_doc, "fill(met, start, stretch): put stretches of one band in the order of their cells, 24 bytes each. `start` comes\n"
                       "in summed up, and leaves with the start of cell c at start[c] and its end at start[c + 1].");
static PyObject *fill(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[3], *answer = NULL;
    Array a[3] = {0};
    if (!PyArg_ParseTuple(args, "OOO", &from[0], &from[1], &from[2])) return NULL;
    if (take(from[0], &a[0], 1, 0, "met") < 0 || take(from[1], &a[1], 4, 1, "start") < 0 ||
        take(from[2], &a[2], 8, 1, "stretch") < 0)
        goto done;
    int64_t n = a[0].n / (int64_t)sizeof(Met), cells = a[1].n - 2, room = a[2].n / 3, i = 0;
    uint32_t *start = a[1].at;
    Stretch *stretch = a[2].at;
    PyThreadState *state = PyEval_SaveThread();
    for (; i < n; i++) {
        Met met;
        memcpy(&met, (const char *)a[0].at + i * (int64_t)sizeof(Met), sizeof(Met));
        if (met.cell < 0 || met.cell >= cells || start[met.cell + 1] >= room) break;
        stretch[start[met.cell + 1]++] = met.stretch;
    }
    PyEval_RestoreThread(state);
    if (i < n) short_array("stretch");
    else answer = Py_NewRef(Py_None);
done:
    let_go(a, 3);
    return answer;
}

PyDoc_STRVAR(steps_doc, "ring_steps(start, columns, rows, steps): how many rings of cells round each cell are empty,\n"
                        "255 at most (Chebyshev distance to the nearest cell that holds anything).");
static PyObject *ring_steps(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[2], *answer = NULL;
    Array a[2] = {0};
    long long columns, rows;
    if (!PyArg_ParseTuple(args, "OLLO", &from[0], &columns, &rows, &from[1])) return NULL;
    Grid g = {0, 0, 1.0, columns, rows, 1.0};
    if (take(from[0], &a[0], 4, 0, "start") < 0 || take(from[1], &a[1], 1, 1, "steps") < 0) goto done;
    if (!grid_sound(&g, a[0].n - 2) || a[1].n != a[0].n - 2) {
        short_array("steps");
        goto done;
    }
    const uint32_t *start = a[0].at;
    uint8_t *steps = a[1].at;
    int64_t nc = columns, nr = rows;
    PyThreadState *state = PyEval_SaveThread();
#define LESS(v, at)                           \
    do {                                      \
        int near_ = (at);                     \
        if (near_ + 1 < (v)) (v) = near_ + 1; \
    } while (0)
    for (int64_t r = 0; r < nr; r++)
        for (int64_t c = 0; c < nc; c++) {
            int64_t k = r * nc + c;
            int v = start[k + 1] > start[k] ? 0 : 255;
            if (r > 0) {
                const uint8_t *up = steps + k - nc;
                LESS(v, up[0]);
                if (c > 0) LESS(v, up[-1]);
                if (c + 1 < nc) LESS(v, up[1]);
            }
            if (c > 0) LESS(v, steps[k - 1]);
            steps[k] = (uint8_t)v;
        }
    for (int64_t r = nr - 1; r >= 0; r--)
        for (int64_t c = nc - 1; c >= 0; c--) {
            int64_t k = r * nc + c;
            int v = steps[k];
            if (r + 1 < nr) {
                const uint8_t *down = steps + k + nc;
                LESS(v, down[0]);
                if (c > 0) LESS(v, down[-1]);
                if (c + 1 < nc) LESS(v, down[1]);
            }
            if (c + 1 < nc) LESS(v, steps[k + 1]);
            steps[k] = (uint8_t)v;
        }
#undef LESS
    PyEval_RestoreThread(state);
    answer = Py_NewRef(Py_None);
done:
    let_go(a, 2);
    return answer;
}

/* Points and cells ------------------------------------------------------------------------------------------- */

/* The cell a point stands in, -1 outside the grid. */
static inline int64_t stands_in(const Grid *g, double x, double y) {
    int64_t column = cell_of((x - g->x) * g->per_m, g->columns), row = cell_of((y - g->y) * g->per_m, g->rows);
    return column < 0 || row < 0 || column >= g->columns || row >= g->rows ? -1 : row * g->columns + column;
}

PyDoc_STRVAR(stand_doc, "stand(x, y, corner_x, corner_y, cell, columns, rows, before): before[c] is in how many cells before cell c\n"
                        "points stand, so before[c + 1] is more where one stands in c itself (two more items than cells).");
static PyObject *stand(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[3], *answer = NULL;
    Array a[3] = {0};
    Grid g = {0};
    long long columns, rows;
    if (!PyArg_ParseTuple(args, "OOdddLLO", &from[0], &from[1], &g.x, &g.y, &g.cell, &columns, &rows, &from[2])) return NULL;
    g.columns = columns, g.rows = rows, g.per_m = 1 / g.cell;
    if (take(from[0], &a[0], 8, 0, "x") < 0 || take(from[1], &a[1], 8, 0, "y") < 0 || take(from[2], &a[2], 4, 1, "before") < 0)
        goto done;
    if (a[1].n != a[0].n || !grid_sound(&g, a[2].n - 2)) {
        short_array("before");
        goto done;
    }
    const double *x = a[0].at, *y = a[1].at;
    uint32_t *before = a[2].at;
    PyThreadState *state = PyEval_SaveThread();
    memset(before, 0, (size_t)a[2].n * sizeof(uint32_t));
    for (Py_ssize_t i = 0; i < a[0].n; i++) {
        int64_t cell = stands_in(&g, x[i], y[i]);
        if (cell >= 0) before[cell + 1] = 1;
    }
    for (Py_ssize_t i = 1; i < a[2].n; i++) before[i] += before[i - 1];
    PyEval_RestoreThread(state);
    answer = Py_NewRef(Py_None);
done:
    let_go(a, 3);
    return answer;
}

PyDoc_STRVAR(want_doc, "want(x, y, far, corner_x, corner_y, cell, columns, rows, wanted): wanted[c] = 1 where cell c comes as near as\n"
                       "`far` to a point along both axes, else 0.");
static PyObject *want(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[3], *answer = NULL;
    Array a[3] = {0};
    Grid g = {0};
    double far;
    long long columns, rows;
    if (!PyArg_ParseTuple(args, "OOddddLLO", &from[0], &from[1], &far, &g.x, &g.y, &g.cell, &columns, &rows, &from[2]))
        return NULL;
    g.columns = columns, g.rows = rows, g.per_m = 1 / g.cell;
    if (take(from[0], &a[0], 8, 0, "x") < 0 || take(from[1], &a[1], 8, 0, "y") < 0 || take(from[2], &a[2], 1, 1, "wanted") < 0)
        goto done;
    if (a[1].n != a[0].n || !grid_sound(&g, a[2].n)) {
        short_array("wanted");
        goto done;
    }
    const double *x = a[0].at, *y = a[1].at;
    uint8_t *wanted = a[2].at;
    PyThreadState *state = PyEval_SaveThread();
    memset(wanted, 0, (size_t)a[2].n);
    for (Py_ssize_t i = 0; i < a[0].n; i++) {
        double px = x[i] - g.x, py = y[i] - g.y;
        int64_t c0 = at_least(cell_of((px - far) * g.per_m, columns), 0);
        int64_t c1 = at_most(cell_of((px + far) * g.per_m, columns), columns - 1);
        int64_t r0 = at_least(cell_of((py - far) * g.per_m, rows), 0);
        int64_t r1 = at_most(cell_of((py + far) * g.per_m, rows), rows - 1);
        for (int64_t r = r0; r <= r1; r++)
            for (int64_t c = c0; c <= c1; c++) wanted[r * columns + c] = 1;
    }
    PyEval_RestoreThread(state);
    answer = Py_NewRef(Py_None);
done:
    let_go(a, 3);
    return answer;
}

PyDoc_STRVAR(list_doc, "list_cells(before, columns, rows, row_start, column): columns of the cells that points stand in, ascending by\n"
                       "row; those of row r lie from row_start[r] to row_start[r + 1].");
static PyObject *list_cells(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[3], *answer = NULL;
    Array a[3] = {0};
    long long columns, rows;
    if (!PyArg_ParseTuple(args, "OLLOO", &from[0], &columns, &rows, &from[1], &from[2])) return NULL;
    Grid g = {0, 0, 1.0, columns, rows, 1.0};
    if (take(from[0], &a[0], 4, 0, "before") < 0 || take(from[1], &a[1], 8, 1, "row_start") < 0 ||
        take(from[2], &a[2], 8, 1, "column") < 0)
        goto done;
    if (!grid_sound(&g, a[0].n - 2) || a[1].n != rows + 1) {
        short_array("row_start");
        goto done;
    }
    const uint32_t *before = a[0].at;
    int64_t *row_start = a[1].at, *column = a[2].at, n = 0;
    PyThreadState *state = PyEval_SaveThread();
    for (int64_t r = 0; r < rows; r++, before += columns) {
        row_start[r] = n;
        for (int64_t c = 0; c < columns && n < a[2].n; c++)
            if (before[c + 1] > before[c]) column[n++] = c;
    }
    row_start[rows] = n;
    PyEval_RestoreThread(state);
    answer = Py_NewRef(Py_None);
done:
    let_go(a, 3);
    return answer;
}

PyDoc_STRVAR(may_reach_doc, "may_reach(x, y, west, south, side, columns, rows, box, far, near): near[f] = 1 where the bounds of feature f,\n"
                            "widened by `far`, meet a square that a point stands in, else 0.");
static PyObject *may_reach(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[4], *answer = NULL;
    Array a[4] = {0};
    Grid g = {0};
    double far;
    long long columns, rows;
    uint32_t *sum = NULL; /* sum[r][c]: squares with points in the first r rows and c columns */
    if (!PyArg_ParseTuple(args, "OOdddLLOdO", &from[0], &from[1], &g.x, &g.y, &g.cell, &columns, &rows, &from[2], &far, &from[3]))
        return NULL;
    g.columns = columns, g.rows = rows, g.per_m = 1 / g.cell;
    if (take(from[0], &a[0], 8, 0, "x") < 0 || take(from[1], &a[1], 8, 0, "y") < 0 || take(from[2], &a[2], 8, 0, "box") < 0 ||
        take(from[3], &a[3], 1, 1, "near") < 0)
        goto done;
    if (a[1].n != a[0].n || !grid_sound(&g, columns * rows) || a[2].n != 4 * a[3].n) {
        short_array("near");
        goto done;
    }
    int64_t wide = columns + 1;
    if (!(sum = calloc((size_t)((rows + 1) * wide), sizeof(uint32_t)))) {
        PyErr_NoMemory();
        goto done;
    }
    const double *x = a[0].at, *y = a[1].at, *box = a[2].at;
    uint8_t *near = a[3].at;
    PyThreadState *state = PyEval_SaveThread();
    for (Py_ssize_t i = 0; i < a[0].n; i++) {
        int64_t square = stands_in(&g, x[i], y[i]);
        if (square >= 0) sum[(square / columns + 1) * wide + square % columns + 1] = 1;
    }
    for (int64_t r = 1; r <= rows; r++)
        for (int64_t c = 1, of_row = 0; c <= columns; c++) {
            of_row += sum[r * wide + c];
            sum[r * wide + c] = (uint32_t)of_row + sum[(r - 1) * wide + c];
        }
    for (Py_ssize_t f = 0; f < a[3].n; f++, box += 4) {
        near[f] = 0;
        if (!(box[0] <= box[2] && box[1] <= box[3])) continue; /* a null feature has no bounds */
        int64_t c0 = at_least(cell_of((box[0] - far - g.x) * g.per_m, columns), 0), c1 = cell_of((box[2] + far - g.x) * g.per_m, columns);
        int64_t r0 = at_least(cell_of((box[1] - far - g.y) * g.per_m, rows), 0), r1 = cell_of((box[3] + far - g.y) * g.per_m, rows);
        c1 = at_most(c1 + 1, columns), r1 = at_most(r1 + 1, rows);
        if (c0 >= c1 || r0 >= r1) continue;
        near[f] = sum[r1 * wide + c1] - sum[r0 * wide + c1] - sum[r1 * wide + c0] + sum[r0 * wide + c0] > 0;
    }
    PyEval_RestoreThread(state);
    answer = Py_NewRef(Py_None);
done:
    free(sum);
    let_go(a, 4);
    return answer;
}

/* Queries ---------------------------------------------------------------------------------------------------- */

typedef struct {
    Grid g;
    const uint32_t *start;
    const Stretch *stretch;
    const unsigned char *wkb; /* where their vertices stand */
    const double *half; /* by owner, or NULL: no line has a width */
    double half_most;
    double step; /* one part of a cell */
} Cells;

typedef struct {
    double px, py, scale, tie; /* from the corner of the grid, and in the coordinates of the features: */
    double x, y;
    double best, limit; /* planar, width taken off; what lies beyond the limit is not looked at */
    int32_t owner;
    int several, within, first_only;
} Look;

/* Squared distance to a segment of a point that lies (ax, ay) from its one end and (bx, by) from the other. */
static inline double squared_away(double ax, double ay, double bx, double by) {
    double dx = ax - bx, dy = ay - by;
    double t = most(least((ax * dx + ay * dy) / (dx * dx + dy * dy + DBL_MIN), 1), 0); /* 0 where the ends are the same */
    ax -= t * dx, ay -= t * dy;
    return ax * ax + ay * ay;
}

/* One segment that is near enough, `away` from the point, into what has been found. */
static inline void take_in(Look *look, double away, int32_t owner) {
    if (look->first_only) {
        if (away <= look->limit && owner < look->owner) look->owner = owner;
        return;
    }
    if (away < look->best - look->tie) {
        look->best = away, look->owner = owner, look->several = 0;
    } else if (away <= look->best + look->tie) {
        if (owner != look->owner) look->several = 1;
        if (away < look->best) look->best = away, look->owner = owner;
    } else {
        return;
    }
    if (look->best + look->tie < look->limit) look->limit = look->best + look->tie;
}

/* Some corners tell where the limit lies: else each segment is a little nearer than the last. */
static void glance(const unsigned char *at, int32_t many, Look *look) {
    double corner = look->limit * look->limit, x, y;
    for (int32_t k = 0; k < many; k += MANY / 2) {
        xy_at(at + (int64_t)k * 16, &x, &y);
        x = look->x - x, y = look->y - y;
        corner = least(corner, x * x + y * y);
    }
    look->limit = least(look->limit, sqrt(corner) + look->tie);
}

/* One stretch, half its width taken off. */
static void look_along_width(const Cells *cells, const Stretch *s, Look *look) {
    const unsigned char *at = cells->wkb + s->at;
    double half = cells->half[s->owner] * look->scale, ax, ay, bx, by;
    xy_at(at, &bx, &by);
    bx = look->x - bx, by = look->y - by;
    for (int32_t k = 0; k == 0 || k < s->many; k++) {
        ax = bx, ay = by;
        if (s->many) {
            at += 16;
            xy_at(at, &bx, &by);
            bx = look->x - bx, by = look->y - by;
        }
        double away = squared_away(ax, ay, bx, by), far = look->limit + half;
        if (away > far * far) continue;
        away = sqrt(away) - half;
        if (half > 0 && away <= 0) look->within = 1;
        take_in(look, away < 0 ? 0 : away, s->owner);
    }
}

#ifdef __SSE2__
/* One stretch, two segments at a time, both by the very sums of squared_away; past its end comes its last vertex again. */
static inline void look_along(const Cells *cells, const Stretch *s, Look *look) {
    const unsigned char *at = cells->wkb + s->at, *end = at + (int64_t)s->many * 16;
    const __m128d here = _mm_set_pd(look->y, look->x), none = _mm_setzero_pd(), whole = _mm_set1_pd(1);
    const __m128d tiny = _mm_set1_pd(DBL_MIN);
    __m128d far = _mm_set1_pd(look->limit * look->limit), a = _mm_sub_pd(here, _mm_loadu_pd((const double *)at));
    do {
        at = at < end ? at + 16 : at;
        __m128d b = _mm_sub_pd(here, _mm_loadu_pd((const double *)at));
        at = at < end ? at + 16 : at;
        __m128d c = _mm_sub_pd(here, _mm_loadu_pd((const double *)at));
        __m128d ax = _mm_unpacklo_pd(a, b), ay = _mm_unpackhi_pd(a, b);
        __m128d dx = _mm_sub_pd(ax, _mm_unpacklo_pd(b, c)), dy = _mm_sub_pd(ay, _mm_unpackhi_pd(b, c));
        __m128d along = _mm_add_pd(_mm_mul_pd(ax, dx), _mm_mul_pd(ay, dy));
        __m128d squared = _mm_add_pd(_mm_add_pd(_mm_mul_pd(dx, dx), _mm_mul_pd(dy, dy)), tiny);
        __m128d t = _mm_max_pd(_mm_min_pd(_mm_div_pd(along, squared), whole), none);
        ax = _mm_sub_pd(ax, _mm_mul_pd(t, dx)), ay = _mm_sub_pd(ay, _mm_mul_pd(t, dy));
        __m128d away = _mm_add_pd(_mm_mul_pd(ax, ax), _mm_mul_pd(ay, ay));
        int near = _mm_movemask_pd(_mm_cmple_pd(away, far));
        if (near) {
            if (near & 1) take_in(look, sqrt(_mm_cvtsd_f64(away)), s->owner);
            if (near & 2) take_in(look, sqrt(_mm_cvtsd_f64(_mm_unpackhi_pd(away, away))), s->owner);
            far = _mm_set1_pd(look->limit * look->limit);
        }
        a = c;
    } while (at < end);
}
#else
static inline void look_along(const Cells *cells, const Stretch *s, Look *look) {
    const unsigned char *at = cells->wkb + s->at, *end = at + (int64_t)s->many * 16;
    double ax, ay, bx, by;
    xy_at(at, &bx, &by);
    bx = look->x - bx, by = look->y - by;
    do {
        ax = bx, ay = by;
        at = at < end ? at + 16 : at;
        xy_at(at, &bx, &by);
        bx = look->x - bx, by = look->y - by;
        double away = squared_away(ax, ay, bx, by);
        if (away <= look->limit * look->limit) take_in(look, sqrt(away), s->owner);
    } while (at < end);
}
#endif

/* Squared distance, or less, to what of a stretch lies in its cell, of whose south-west corner the point lies (x, y). */
static inline double squared_off(const Stretch *s, double step, double x, double y) {
    double dx = most(most(s->west * step - x, x - s->east * step), 0);
    double dy = most(most(s->south * step - y, y - s->north * step), 0);
    return dx * dx + dy * dy;
}

static void look_in(const Cells *cells, int64_t column, int64_t row, Look *look) {
    int64_t cell = row * cells->g.columns + column;
    const Stretch *s = cells->stretch + cells->start[cell], *end = cells->stretch + cells->start[cell + 1];
    double x = look->px - (double)column * cells->g.cell, y = look->py - (double)row * cells->g.cell;
    for (; s < end; s++) {
        double far = look->limit + cells->half_most * look->scale + 4 * WIDEN;
        if (squared_off(s, cells->step, x, y) > far * far) continue;
        if (cells->half) {
            look_along_width(cells, s, look);
        } else {
            if (s->many > MANY && !look->first_only) glance(cells->wkb + s->at, s->many, look);
            look_along(cells, s, look);
        }
    }
}

/* All cells that may hold something within the limit, ring by ring round the cell of the point. */
static void look_round(const Cells *cells, int64_t column, int64_t row, int64_t ring, Look *look) {
    const Grid *g = &cells->g;
    double west = look->px - (double)column * g->cell, east = g->cell - west;
    double south = look->py - (double)row * g->cell, north = g->cell - south;
    if (ring == 0) {
        look_in(cells, column, row, look);
        ring = 1;
    }
    for (;; ring++) {
        double out = (double)(ring - 1) * g->cell, far = look->limit + cells->half_most * look->scale;
        int w = west + out <= far && column - ring >= 0, e = east + out <= far && column + ring < g->columns;
        int s = south + out <= far && row - ring >= 0, n = north + out <= far && row + ring < g->rows;
        if (!(w || e || s || n)) {
            if (west + out > far && east + out > far && south + out > far && north + out > far) return;
            if (column - ring < 0 && column + ring >= g->columns && row - ring < 0 && row + ring >= g->rows) return;
            continue;
        }
        int64_t c0 = column - ring < 0 ? 0 : column - ring, c1 = column + ring >= g->columns ? g->columns - 1 : column + ring;
        int64_t r0 = row - ring + 1 < 0 ? 0 : row - ring + 1, r1 = row + ring - 1 >= g->rows ? g->rows - 1 : row + ring - 1;
        for (int side = 0; side < 2; side++) {
            if (!(side ? n : s)) continue;
            double dy = (side ? north : south) + out;
            int64_t line = (side ? row + ring : row - ring) * g->columns;
            if (cells->start[line + c1 + 1] == cells->start[line + c0]) continue;
            for (int64_t c = c0; c <= c1; c++) {
                if (cells->start[line + c + 1] == cells->start[line + c]) continue;
                double dx = c < column ? west + (double)(column - c - 1) * g->cell
                            : c > column ? east + (double)(c - column - 1) * g->cell : 0;
                far = look->limit + cells->half_most * look->scale;
                if (dx * dx + dy * dy <= far * far) look_in(cells, c, side ? row + ring : row - ring, look);
            }
        }
        for (int side = 0; side < 2; side++) {
            if (!(side ? e : w)) continue;
            double dx = (side ? east : west) + out;
            int64_t at = side ? column + ring : column - ring;
            for (int64_t r = r0; r <= r1; r++) {
                int64_t c = r * g->columns + at;
                if (cells->start[c + 1] == cells->start[c]) continue;
                double dy = r < row ? south + (double)(row - r - 1) * g->cell
                            : r > row ? north + (double)(r - row - 1) * g->cell : 0;
                far = look->limit + cells->half_most * look->scale;
                if (dx * dx + dy * dy <= far * far) look_in(cells, at, r, look);
            }
        }
    }
}

PyDoc_STRVAR(nearest_doc, "nearest(x, y, scale, reach, tie, limit, start, stretch, wkb, half, corner_x, corner_y, cell, columns,\n"
                          "        rows, steps, distance, first, within)\n\n"
                          "Ground distance of each point to the nearest segment, half its width taken off, and the first owner\n"
                          "among those within `tie` of it; nan and -1 beyond the reach. With `limit` (ground metres by point) only\n"
                          "`first` is filled, with the first owner within it.");
static PyObject *nearest(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[12], *answer = NULL;
    Array a[12] = {0};
    double reach, tie;
    long long columns, rows;
    Cells cells = {0};
    if (!PyArg_ParseTuple(args, "OOOddOOOOOdddLLOOOO", &from[0], &from[1], &from[2], &reach, &tie, &from[3],
                          &from[4], &from[5], &from[11], &from[6], &cells.g.x, &cells.g.y, &cells.g.cell, &columns, &rows,
                          &from[7], &from[8], &from[9], &from[10]))
        return NULL;
    cells.g.columns = columns, cells.g.rows = rows, cells.g.per_m = 1 / cells.g.cell;
    int limited = from[3] != Py_None, wide = from[6] != Py_None;
    if (take(from[0], &a[0], 8, 0, "x") < 0 || take(from[1], &a[1], 8, 0, "y") < 0 ||
        take(from[2], &a[2], 8, 0, "scale") < 0 || (limited && take(from[3], &a[3], 8, 0, "limit") < 0) ||
        take(from[4], &a[4], 4, 0, "start") < 0 || take(from[5], &a[5], 8, 0, "stretch") < 0 ||
        take(from[11], &a[11], 1, 0, "wkb") < 0 || (wide && take(from[6], &a[6], 8, 0, "half") < 0) || take(from[7], &a[7], 1, 0, "steps") < 0 ||
        take(from[8], &a[8], 8, 1, "distance") < 0 || take(from[9], &a[9], 4, 1, "first") < 0 ||
        take(from[10], &a[10], 1, 1, "within") < 0)
        goto done;
    int64_t n = a[0].n;
    if (a[1].n != n || a[2].n != n || (limited && a[3].n != n) || a[8].n != n || a[9].n != n || a[10].n != n) {
        short_array("x");
        goto done;
    }
    cells.start = a[4].at, cells.stretch = a[5].at, cells.wkb = a[11].at, cells.half = wide ? a[6].at : NULL;
    cells.step = cells.g.cell / PARTS;
    if (!grid_sound(&cells.g, a[4].n - 2) || a[7].n != a[4].n - 2 || cells.start[a[4].n - 2] > a[5].n / 3) {
        short_array("start");
        goto done;
    }
    for (Py_ssize_t i = 0; wide && i < a[6].n; i++)
        if (cells.half[i] > cells.half_most) cells.half_most = cells.half[i];
    const double *x = a[0].at, *y = a[1].at, *scale = a[2].at, *limit = a[3].at;
    const uint8_t *steps = a[7].at;
    double *distance = a[8].at;
    int32_t *first = a[9].at;
    uint8_t *within = a[10].at;
    PyThreadState *state = PyEval_SaveThread();
    for (int64_t at = 0; at < n; at += BATCH) {
        int64_t here[BATCH], some = n - at < BATCH ? n - at : BATCH;
        for (int64_t k = 0; k < some; k++) {
            here[k] = stands_in(&cells.g, x[at + k], y[at + k]);
            if (here[k] >= 0) FETCH(cells.start + here[k]), FETCH(steps + here[k]);
        }
        for (int64_t k = 0; k < some; k++)
            if (here[k] >= 0) FETCH(cells.stretch + cells.start[here[k]]);
        for (int64_t k = 0; k < some; k++)
            if (here[k] >= 0 && cells.start[here[k]] < cells.start[here[k] + 1])
                FETCH(cells.wkb + cells.stretch[cells.start[here[k]]].at);
        for (int64_t k = 0; k < some; k++) {
            int64_t i = at + k;
            first[i] = -1;
            if (!limited) distance[i] = NAN, within[i] = 0;
            if (here[k] < 0) continue;
            Look look = {.px = x[i] - cells.g.x, .py = y[i] - cells.g.y, .scale = scale[i], .tie = tie * scale[i]};
            look.x = x[i], look.y = y[i];
            look.best = INFINITY, look.owner = -1;
            look.limit = reach * scale[i] * (1 + 1e-12);
            int64_t c = here[k] % columns, r = here[k] / columns, ring = steps[here[k]];
            if (limited) {
                look.limit = limit[i] * scale[i] * (1 + 1e-15);
                look.first_only = 1;
                look.owner = INT32_MAX;
                look_round(&cells, c, r, ring, &look);
                first[i] = look.owner == INT32_MAX ? -1 : look.owner;
                continue;
            }
            look_round(&cells, c, r, ring, &look);
            if (!(look.best / scale[i] <= reach)) continue;
            distance[i] = look.best / scale[i];
            within[i] = (uint8_t)look.within;
            if (look.several) {
                look.limit = look.best + look.tie;
                look.first_only = 1;
                look_round(&cells, c, r, ring, &look);
            }
            first[i] = look.owner;
        }
    }
    PyEval_RestoreThread(state);
    answer = Py_NewRef(Py_None);
done:
    let_go(a, 12);
    return answer;
}

static double turn(double ax, double ay, double bx, double by, double cx, double cy) {
    return (bx - ax) * (cy - ay) - (by - ay) * (cx - ax);
}

/* Whether the way from one place to another, both from the corner of the grid, crosses a stretch an odd number of times. */
static int crossed_oddly(const unsigned char *at, int32_t many, const Grid *g, double cx, double cy, double px, double py) {
    double x1, y1, x2, y2;
    int odd = 0;
    xy_at(at, &x1, &y1);
    x1 -= g->x, y1 -= g->y;
    int left = turn(cx, cy, px, py, x1, y1) >= 0;
    for (const unsigned char *end = at + (int64_t)many * 16; at < end; x1 = x2, y1 = y2) {
        at += 16;
        xy_at(at, &x2, &y2);
        x2 -= g->x, y2 -= g->y;
        int now = turn(cx, cy, px, py, x2, y2) >= 0, over = left != now;
        left = now;
        if (over) odd ^= (turn(x1, y1, x2, y2, cx, cy) >= 0) != (turn(x1, y1, x2, y2, px, py) >= 0);
    }
    return odd;
}

static int by_part(const void *one, const void *two) {
    int32_t a = *(const int32_t *)one, b = *(const int32_t *)two;
    return a < b ? -1 : a > b;
}

PyDoc_STRVAR(inside_doc, "inside(x, y, before, holder_start, holder, start, stretch, wkb, corner_x, corner_y, cell, columns, rows,\n"
                         "       shift)\n\n"
                         "Which polygons hold each point: those that hold the centre of its cell (`holder`, by place in the\n"
                         "list of cells that `before` counts, parts ascending), unless an odd number of their edges is crossed on the way. Returns\n"
                         "bytes of int32 pairs (point + shift, part), points and parts ascending.");
static PyObject *inside(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[8], *answer = NULL;
    Array a[8] = {0};
    Grid g = {0};
    long long columns, rows, shift;
    if (!PyArg_ParseTuple(args, "OOOOOOOOdddLLL", &from[0], &from[1], &from[2], &from[3], &from[4], &from[5], &from[6],
                          &from[7], &g.x, &g.y, &g.cell, &columns, &rows, &shift))
        return NULL;
    g.columns = columns, g.rows = rows, g.per_m = 1 / g.cell;
    Pairs pairs = {0};
    int32_t *crossed_part = NULL;
    int64_t room = 0;
    if (take(from[0], &a[0], 8, 0, "x") < 0 || take(from[1], &a[1], 8, 0, "y") < 0 ||
        take(from[2], &a[2], 4, 0, "before") < 0 || take(from[3], &a[3], 8, 0, "holder_start") < 0 ||
        take(from[4], &a[4], 4, 0, "holder") < 0 || take(from[5], &a[5], 4, 0, "start") < 0 ||
        take(from[6], &a[6], 8, 0, "stretch") < 0 || take(from[7], &a[7], 1, 0, "wkb") < 0)
        goto done;
    int64_t n = a[0].n, lists = a[3].n - 1;
    const int64_t *holder_start = a[3].at;
    const uint32_t *start = a[5].at, *before = a[2].at;
    const int32_t *holder = a[4].at;
    if (!grid_sound(&g, a[5].n - 2) || a[1].n != n || a[2].n != a[5].n || lists < 0 || holder_start[lists] > a[4].n ||
        start[a[5].n - 2] > a[6].n / 3) {
        short_array("before");
        goto done;
    }
    const double *x = a[0].at, *y = a[1].at, step = g.cell / PARTS;
    const Stretch *stretch = a[6].at;
    const unsigned char *wkb = a[7].at;
    int bad = 0;
    PyThreadState *state = PyEval_SaveThread();
    for (int64_t at = 0; at < n && !bad; at += BATCH) {
        int64_t here[BATCH], some = n - at < BATCH ? n - at : BATCH;
        for (int64_t k = 0; k < some; k++) {
            here[k] = stands_in(&g, x[at + k], y[at + k]);
            if (here[k] >= 0) FETCH(start + here[k]), FETCH(before + here[k]);
        }
        for (int64_t k = 0; k < some; k++) {
            if (here[k] < 0) continue;
            if (before[here[k]] >= lists) here[k] = -1;
            else FETCH(stretch + start[here[k]]), FETCH(holder_start + before[here[k]]);
        }
        for (int64_t k = 0; k < some; k++)
            if (here[k] >= 0 && start[here[k]] < start[here[k] + 1]) FETCH(wkb + stretch[start[here[k]]].at);
        for (int64_t k = 0; k < some && !bad; k++) {
            int64_t cell = here[k], first, end, many = 0;
            if (cell < 0) continue;
            const int32_t *held = holder + holder_start[before[cell]], *held_end = holder + holder_start[before[cell] + 1];
            first = start[cell], end = start[cell + 1];
            if (first >= end && held == held_end) continue;
            if (room_for((void **)&crossed_part, &room, end - first, sizeof(int32_t)) < 0) {
                bad = 1;
                break;
            }
            double px = x[at + k] - g.x, py = y[at + k] - g.y;
            double cx = ((double)(cell % columns) + 0.5) * g.cell, cy = ((double)(cell / columns) + 0.5) * g.cell;
            double across = (px - cx) / step, up = (py - cy) / step; /* from the centre, in parts of the cell */
            double west = PARTS / 2.0 + least(across, 0) - 0.01, east = PARTS / 2.0 + most(across, 0) + 0.01;
            double south = PARTS / 2.0 + least(up, 0) - 0.01, north = PARTS / 2.0 + most(up, 0) + 0.01;
            for (const Stretch *s = stretch + first; s < stretch + end; s++)
                if ((s->west <= east) & (s->east >= west) & (s->south <= north) & (s->north >= south) &&
                    crossed_oddly(wkb + s->at, s->many, &g, cx, cy, px, py)) crossed_part[many++] = s->part;
            if (many > 1) qsort(crossed_part, (size_t)many, sizeof(int32_t), by_part);
            for (int64_t m = 0; (m < many || held < held_end) && !bad;) {
                int32_t part = m < many && (held == held_end || crossed_part[m] < *held) ? crossed_part[m] : *held;
                int odd = 0;
                for (; held < held_end && *held == part; held++) odd ^= 1;
                for (; m < many && crossed_part[m] == part; m++) odd ^= 1;
                if (odd && push(&pairs, (int32_t)(at + k + shift), part) < 0) bad = 1;
            }
        }
    }
    PyEval_RestoreThread(state);
    if (bad) PyErr_NoMemory();
    else answer = PyBytes_FromStringAndSize((const char *)pairs.item, (Py_ssize_t)(pairs.n * (int64_t)sizeof(int32_t)));
done:
    free(crossed_part);
    free(pairs.item);
    let_go(a, 8);
    return answer;
}

/* Shares ----------------------------------------------------------------------------------------------------- */

/* A circle, and what has been summed up of what covers it. */
typedef struct {
    double px, py, squared, first; /* middle from the corner of the grid, radius squared, a direction */
    double twice, arcs;            /* cross products, arcs from the first direction */
} Circle;

/* What one segment, given from the middle of the circle, adds in the cell of its column and row. */
static void add_up(Circle *o, const Grid *g, int64_t column, int64_t row, double ax, double ay, double bx, double by) {
    double away = ax * ax + ay * ay, away2 = bx * bx + by * by, from = 0, to = 1, dx = bx - ax, dy = by - ay;
    if (away > o->squared || away2 > o->squared) {
        double a = dx * dx + dy * dy, b = ax * dx + ay * dy, root = b * b - a * (away - o->squared);
        int passes = away > o->squared && away2 > o->squared; /* else it must cross once: a corner may lie on the circle */
        if (passes && !(root > 0)) return;
        root = root > 0 ? sqrt(root) : 0;
        if (away > o->squared) from = (-b - root) / a;
        if (away2 > o->squared) to = (-b + root) / a;
        if (passes && !(from >= 0 && to <= 1 && from < to)) return;
        from = from < 0 ? 0 : from > 1 ? 1 : from;
        to = to < from ? from : to > 1 ? 1 : to;
    }
    double middle = (from + to) / 2; /* a segment stands in several cells: it counts in that of its middle */
    if (cell_of((ax + middle * dx + o->px) * g->per_m, g->columns) != column ||
        cell_of((ay + middle * dy + o->py) * g->per_m, g->rows) != row)
        return;
    o->twice += (to - from) * (ax * by - ay * bx);
    for (int leaves = 0; leaves < 2; leaves++) {
        if (!((leaves ? away2 : away) > o->squared)) continue;
        double t = leaves ? to : from, angle = atan2(ay + t * dy, ax + t * dx) - o->first;
        angle -= 2 * M_PI * floor(angle / (2 * M_PI));
        o->arcs += leaves ? 2 * M_PI - angle : angle - 2 * M_PI;
    }
}

/* Share of a circle that oriented rings (ground on their left) cover, by Green's theorem: half the cross products of
 * what lies inside the circle, and the arcs. Going round from the first direction, the ground is left where an edge
 * enters the circle and met where one leaves it, so each arc sum is that of the first direction plus jumps. */
static double share_of(const Cells *cells, double x, double y, double radius, double first, int covers_first) {
    const Grid *g = &cells->g;
    double px = x - g->x, py = y - g->y;
    Circle o = {px, py, radius * radius, first, 0, covers_first ? 2 * M_PI : 0};
    int64_t c0 = at_least(cell_of((px - radius) * g->per_m, g->columns), 0);
    int64_t c1 = at_most(cell_of((px + radius) * g->per_m, g->columns), g->columns - 1);
    int64_t r0 = at_least(cell_of((py - radius) * g->per_m, g->rows), 0);
    int64_t r1 = at_most(cell_of((py + radius) * g->per_m, g->rows), g->rows - 1);
    for (int64_t r = r0; r <= r1; r++)
        for (int64_t c = c0; c <= c1; c++)
            for (int64_t k = cells->start[r * g->columns + c], end = cells->start[r * g->columns + c + 1]; k < end; k++) {
                const unsigned char *at = cells->wkb + cells->stretch[k].at;
                double ax, ay, bx, by;
                xy_at(at, &ax, &ay);
                ax -= x, ay -= y;
                for (int32_t i = 0; i < cells->stretch[k].many; i++, ax = bx, ay = by) {
                    at += 16;
                    xy_at(at, &bx, &by);
                    bx -= x, by -= y;
                    add_up(&o, g, c, r, ax, ay, bx, by);
                }
            }
    double share = (o.twice / o.squared + o.arcs) / (2 * M_PI);
    if (share < -1e-6) share += 1; /* an edge through the very point in the first direction was taken for the other side */
    if (share > 1 + 1e-6) share -= 1;
    return share < 0 ? 0 : share > 1 ? 1 : share;
}

PyDoc_STRVAR(shares_doc, "shares(x, y, radius, covers_first, first, start, stretch, wkb, corner_x, corner_y, cell, columns, rows,\n"
                         "       share)\n\n"
                         "Share of the circle round each point that oriented rings cover; `first` is a direction, and\n"
                         "`covers_first` whether the end of the radius in it is covered.");
static PyObject *shares(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *from[8], *answer = NULL;
    Array a[8] = {0};
    Cells cells = {0};
    double first;
    long long columns, rows;
    if (!PyArg_ParseTuple(args, "OOOOdOOOdddLLO", &from[0], &from[1], &from[2], &from[3], &first, &from[4], &from[5],
                          &from[7], &cells.g.x, &cells.g.y, &cells.g.cell, &columns, &rows, &from[6]))
        return NULL;
    cells.g.columns = columns, cells.g.rows = rows, cells.g.per_m = 1 / cells.g.cell;
    if (take(from[0], &a[0], 8, 0, "x") < 0 || take(from[1], &a[1], 8, 0, "y") < 0 ||
        take(from[2], &a[2], 8, 0, "radius") < 0 || take(from[3], &a[3], 1, 0, "covers_first") < 0 ||
        take(from[4], &a[4], 4, 0, "start") < 0 || take(from[5], &a[5], 8, 0, "stretch") < 0 ||
        take(from[6], &a[6], 8, 1, "share") < 0 || take(from[7], &a[7], 1, 0, "wkb") < 0)
        goto done;
    int64_t n = a[0].n;
    const uint32_t *start = a[4].at;
    if (a[1].n != n || a[2].n != n || a[3].n != n || a[6].n != n || !grid_sound(&cells.g, a[4].n - 2) ||
        start[a[4].n - 2] > a[5].n / 3) {
        short_array("start");
        goto done;
    }
    cells.start = start, cells.stretch = a[5].at, cells.wkb = a[7].at;
    const double *x = a[0].at, *y = a[1].at, *radius = a[2].at;
    const uint8_t *covers_first = a[3].at;
    double *share = a[6].at;
    PyThreadState *state = PyEval_SaveThread();
    for (int64_t i = 0; i < n; i++)
        share[i] = share_of(&cells, x[i], y[i], radius[i], first, covers_first[i]);
    PyEval_RestoreThread(state);
    answer = Py_NewRef(Py_None);
done:
    let_go(a, 8);
    return answer;
}

static PyMethodDef methods[] = {
    {"survey", survey, METH_VARARGS, survey_doc},
    {"meet", meet, METH_VARARGS, meet_doc},
    {"fill", fill, METH_VARARGS, fill_doc},
    {"stand", stand, METH_VARARGS, stand_doc},
    {"want", want, METH_VARARGS, want_doc},
    {"list_cells", list_cells, METH_VARARGS, list_doc},
    {"may_reach", may_reach, METH_VARARGS, may_reach_doc},
    {"ring_steps", ring_steps, METH_VARARGS, steps_doc},
    {"nearest", nearest, METH_VARARGS, nearest_doc},
    {"inside", inside, METH_VARARGS, inside_doc},
    {"shares", shares, METH_VARARGS, shares_doc},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_grid", "The grid engine.", 0, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__grid(void) { return PyModuleDef_Init(&module); }
