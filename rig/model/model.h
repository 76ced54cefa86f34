/* The physics of a filament feeder pushing on a rig, as pure functions of parameters, state and time step.
 * Nothing here knows how the data are analysed. Units are in the names; push force and forward feed are
 * positive.
 *
 * Quasi-static torque balance: the rotor follows the commanded field with a load angle delta (electrical), so
 * that torque at the gear  F_feeder * D / 2  =  i * eta * T_max(w) * sin(delta). At rest in load the rotor
 * therefore lags by delta / (pi/2) full steps. Past delta = pi/2 there is no equilibrium: the rotor falls
 * back by one electrical cycle (4 full steps) and is caught again if it can be.
 */
#ifndef RIG_MODEL_MODEL_H
#define RIG_MODEL_MODEL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define MODEL_NAME_MAX 32

struct model_motor {
    int full_steps_per_rev;   /* 200 for 50 rotor teeth: rotor teeth = full steps / 4 */
    int microsteps;           /* commanded counts per full step */
    double holding_torque_nm; /* torque at delta = 90 degrees with the set phase current, both phases on */
    double flux_linkage_wb;   /* psi: peak flux linkage per phase times number of turns */
    double resistance_ohm;
    double inductance_h;
    double supply_v;       /* DC supply; fundamental amplitude of the square drive is 4 V / pi */
    double torque_scatter; /* relative sd of T_max, drawn anew for each electrical cycle it is lost in */
};

struct model_gear {
    double drive_diameter_mm;    /* effective: feed per revolution / pi */
    int teeth;                   /* 0: no teeth */
    double eccentricity_mm;      /* the effective radius varies as D/2 + eccentricity * cos(angle) */
    double tooth_ripple_mm;      /* amplitude of feed ripple once per tooth */
    double motor_turn_ripple_mm; /* amplitude of feed ripple once per motor turn (pinion runout) */
    double full_step_ripple_mm;  /* amplitude of feed ripple once per full step (unequal microsteps) */
    double backlash_mm; /* play of the reduction, as travel at the pitch line; crossed where the push force is
                           gone and the drive turns round */
    double reduction;   /* motor turns per gear turn */
    double efficiency;  /* of the reduction and bearings, 0 to 1 */
};

struct model_nip {
    double preload_n;         /* default; a run may set another */
    double creep_floor_per_n; /* c(P) = floor + extra * exp(-P / creep_preload_n) */
    double creep_extra_per_n;
    double creep_preload_n;
    double grip_coefficient;     /* grip limit = coefficient * min(P, saturation_preload_n) at 1 mm/s */
    double saturation_preload_n; /* preload past which more does not help */
    double grip_speed_exponent;  /* grip limit falls as (v / 1 mm/s)^-exponent */
    double onset_fraction;       /* gross slip begins at this fraction of the grip limit */
    double shear_fraction; /* teeth tear loose at this fraction of the grip limit, between onset and 1; 0:
                              never, the push settles at the limit */
    double shear_slip_mm;  /* mean slip-back when they do; 0: one tooth pitch */
    double shear_scatter; /* relative sd of slip-back (0: exactly periodic) and, a fifth of it, of the tearing
                             force */
    double wear_per_m;    /* relative loss of grip per metre of gross slip: grip * exp(-wear * metres) */
    double dent_preload_n; /* past this preload the filament dents */
    double dent_mm_per_n;  /* and the effective diameter shrinks by this much per newton */
    double fade_per_m; /* relative loss of grip per metre fed since the gear was cleaned: 1 - fade * metres,
                          not below a tenth */
    /* Grip from the geometry of the teeth: replaces grip_coefficient and saturation_preload_n when
     * hardness_mpa is above 0; see grip.h. */
    double hardness_mpa;       /* indentation pressure of the filament */
    double shear_strength_mpa; /* of the filament between the teeth */
    double tooth_depth_mm;     /* 0: 0.6 of the tooth pitch */
    int toothed_sides;         /* 1: gear and plain idler; 2: both grip; 0 counts as 1 */
    double debris_mm_per_m;    /* how much of the tooth depth debris fills per metre fed since the gear was
                                  cleaned */
};

/* What the filament meets past the free length. */
enum model_end { MODEL_END_BLOCKED, MODEL_END_FREE, MODEL_END_BRAKE, MODEL_END_HOT };

struct model_fixture {
    enum model_end end;  /* blocked by default; a hot end with exponent 0 counts as blocked */
    double brake_n;      /* MODEL_END_BRAKE: the filament slides through at this load and is held below it */
    double brake_repeat; /* relative sd of the brake load from run to run */
    double filament_diameter_mm;
    double filament_modulus_mpa;
    double free_length_mm;     /* filament column between nip and blocked end */
    double stiffness_n_per_mm; /* of the end, load cell included; in series with the column */
    double gap_mm;             /* feed before the filament meets the blocked end */
};

struct model_tube { /* optional guide tube between nip and end; bend 0: none */
    double bend_rad;
    double friction;     /* force behind the tube = force before it * exp(-friction * bend), pushing */
    double clearance_mm; /* play of the filament between the tube's walls, as travel along it; crossed where
                            the force has gone and the feed turns round */
};

struct model_hot_end {  /* for MODEL_END_HOT: F = F0 + k Q^n */
    double force_n;     /* F0 */
    double coefficient; /* k in N / (mm3/s)^n at the reference temperature, for this filament diameter */
    double exponent;    /* n */
    double temperature_c, reference_c; /* k(T) = k exp(-per_kelvin (T - reference)) */
    double per_kelvin;
    /* k from a power-law melt in the nozzle's capillary, pressed by the filament as a piston, when
     * consistency is above 0: k = A (2 K L / R) [(3 n + 1) / n / (pi R^3)]^n, A the filament's cross-section;
     * see hot_end.h. */
    double consistency_pa_s_n; /* K at the reference temperature */
    double nozzle_radius_mm, nozzle_length_mm;
};

struct model_sensor {
    bool at_feeder; /* the cell carries the feeder and shows the force at the nip; else it carries the end */
    double gain_counts_per_n;
    double zero_counts;
    double noise_n;         /* white, sd per sample */
    double drift_n_per_min; /* linear */
    double drift_walk_n;    /* random walk, sd after one minute */
    double mains_n;         /* amplitude of mains pick-up */
    double mains_hz;
    double full_scale_n;   /* rated load of the cell; nonlinearity and hysteresis are stated there */
    double nonlinearity_n; /* deviation at full scale; grows with the square of the load */
    double hysteresis_n;   /* how much more the cell shows while the load falls than while it rises */
    int32_t counts_min, counts_max;
    bool encoder;        /* on the filament */
    bool encoder_at_end; /* past the guide tube, by the end that the filament meets; else at the nip */
    double encoder_mm_per_count;
};

struct model_spread {    /* what differs between mountings and runs, relative sd; drawn from the seed */
    double refit;        /* of the grip limit, at each mounting of the feeder */
    double repeat;       /* of the grip limit, each run */
    double motor_repeat; /* of the holding torque, each run */
};

struct model_parameters {
    char name[MODEL_NAME_MAX + 1];
    struct model_motor motor;
    struct model_gear gear;
    struct model_nip nip;
    struct model_fixture fixture;
    struct model_tube tube;
    struct model_hot_end hot_end;
    struct model_sensor sensor;
    struct model_spread spread;
};

/* Counter-based random numbers (SplitMix64), so that a stream depends on its seed alone. */
struct model_random {
    uint64_t state;
};
double model_random_uniform(struct model_random *r); /* in (0, 1) */
double model_random_normal(struct model_random *r);  /* mean 0, sd 1 */

/* Everything that changes. Set by model_mount and model_begin_run, advanced by model_step. */
struct model_state {
    struct model_random draws;        /* for scatter, so that the trajectory depends on the seed alone */
    struct model_random drift_draws;  /* for the drift's random walk: how many depends on the time step */
    struct model_random sensor_draws; /* for noise: how many depends on how often the load cell is read */
    uint64_t mount_seed;
    uint64_t runs_since_mount;
    double time_s;
    double preload_n;
    double refit_factor, repeat_factor, motor_factor; /* realised spread of this mounting and run */
    double gear_angle_start_rad;                      /* of this run; uniform draw */
    double commanded_mm;        /* commanded microsteps as feed at the effective diameter, since run start */
    int64_t cycles_lost;        /* electrical cycles fallen back */
    double gear_mm;             /* pitch-line travel of the gear */
    double filament_mm;         /* filament travel at the nip since run start */
    double force_feeder_n;      /* at the nip */
    double force_end_n;         /* at the end of the filament, behind any tube */
    double force_n;             /* push force at the load cell, true: one of the two */
    double brake_factor;        /* realised spread of the brake load of this run */
    double fed_mm;              /* way of the pitch line since the gear was new, forward and back */
    double fed_clean_mm;        /* the same when it was last cleaned; set by model_clean */
    double fed_start_mm;        /* fed_mm when this run began: the truth of the run is told for it */
    double backlash_at_mm;      /* where in the play of the reduction the drive stands: 0 as when pushing */
    double gross_slip_mm;       /* ever, of this gear: the wear state */
    double gross_slip_start_mm; /* the same when this run began: the truth of the run is told for it */
    double torque_factor;       /* scatter of the electrical cycle in hand */
    double shear_factor;        /* scatter of the next tearing */
    double drift_n;             /* from the start of the run */
    double hung_n;              /* dead weight on the load cell, set by the caller; stays over runs */
    double cell_follows_n;      /* load that the cell's hysteresis has followed to; stays over runs */
    double tube_play_mm;        /* where in the tube's clearance the filament lies: 0 as when pushed */
    double melted_mm;           /* filament the end has taken in or, as a brake, let through: its length */
    bool coils_on;       /* set by the caller; false: the rotor is free and the filament springs back */
    bool coils_were_off; /* the rotor has to find the commanded field again when they come on */
};

/* Sensible defaults: one 8 mm gear on a direct-drive motor, 1.75 mm filament. */
struct model_parameters model_default(void);

/* First unacceptable parameter in words, or NULL when all can be simulated. */
const char *model_check(const struct model_parameters *p);

/* T_max in N m at w electrical radians per second: the current-limited holding torque or the pull-out torque
 * of the voltage-driven two-phase hybrid stepper, whichever is less: T = p psi V / Z - p psi^2 w R / Z^2, Z =
 * sqrt(R^2 + w^2 L^2)  (Acarnley, Stepping Motors, 4th ed.). */
double model_motor_torque_nm(const struct model_motor *m, double electrical_rad_s);

/* Combined stiffness of filament column and blocked end, N/mm. */
double model_stiffness_n_per_mm(const struct model_fixture *f);

/* mm of feed per microstep at the effective diameter for that preload. */
double model_feed_per_microstep_mm(const struct model_parameters *p, double preload_n);

/* A new mounting: draws the refit factor; keeps the wear state, so *s starts as all zero for a new gear. */
void model_mount(const struct model_parameters *p, struct model_state *s, uint64_t seed);
/* A new run on the mounted feeder: unloaded, at rest, coils on; draws repeat factors and gear angle from the
 * mount's seed and the number of runs since, so that a run does not depend on how the one before went, but
 * for wear and the load cell's hysteresis. preload_n 0: the default. */
void model_begin_run(const struct model_parameters *p, struct model_state *s, double preload_n);

/* Advance by dt_s in which the commanded position goes linearly to commanded_microsteps (since run start).
 * Sub-steps as needed: the result does not depend noticeably on dt_s. Does nothing unless dt_s > 0 and
 * the way is a number of no more than 10 m. */
void model_step(const struct model_parameters *p, struct model_state *s, double commanded_microsteps,
                double dt_s);

/* Read the load cell (hysteresis, non-linearity, noise, drift, mains, range) and the encoder. The cell
 * carries push force and hung weight together. Its hysteresis is a play of a quarter of full scale: after a
 * reversal the deviation goes from one side to the other within that much load, then stays; the load's
 * history is that of the ends of steps. *over_range tells saturation. The encoder
 * sees the filament at the nip, before any tube, so it sees slip-backs too; or its far end, which the
 * column's compression and the tube's play keep from following. 0 without an encoder. */
int32_t model_read_force(const struct model_parameters *p, struct model_state *s, bool *over_range);
int32_t model_read_encoder(const struct model_parameters *p, const struct model_state *s);

enum model_limit { MODEL_LIMIT_MOTOR, MODEL_LIMIT_GRIP };

/* The truth about a push at a steady commanded speed, from the parameters (and, in _of_run, the realised
 * factors of that run), never from noise or from a simulated curve. Forces are at the load cell. */
struct model_truth {
    double motor_limit_n; /* force at which the motor loses step, gear at its mean radius */
    double grip_limit_n;  /* force at which all feed would be lost */
    double shear_n;       /* force at which teeth tear loose; 0: they do not */
    double slip_onset_n;  /* onset of gross slip */
    bool onset_reached;   /* false: the motor stalls before it */
    double creep_per_n;
    double gross_slip_per_n; /* g of s = c F + g max(0, F - onset) */
    double stall_force_n;    /* median event peak, or level settled to */
    enum model_limit limited_by;
    bool settles;          /* the push flattens without drops */
    double drop_period_mm; /* commanded feed between drops, creep allowed for; 0 when it settles or has no
                              period */
    double stiffness_n_per_mm;
};
/* A run's truth is that of its first stall: motor force at the radius there; scatter within the run and the
 * wear it causes left out. With a tube, creep_per_n, gross_slip_per_n and stiffness are those of forward
 * pushing. */
struct model_truth model_truth_nominal(const struct model_parameters *p, double preload_n, double speed_mm_s);

/* Brush the debris out of the teeth: grip is as it was with so much wear and no metre fed. */
void model_clean(struct model_state *s);

/* Metres fed since the gear was cleaned, as they stood when the present run began. */
double model_fed_since_cleaning_m(const struct model_state *s);

/* The force that the hot end wants at that volumetric rate, at the end of the filament, N; NaN where the
 * parameters have no load line (exponent 0). */
double model_load_line_n(const struct model_parameters *p, double rate_mm3_s);

/* Forward against the blocked end up to force_n at the cell and back, at a slow steady speed, from the
 * parameters: quadratures along the way, no time steps. Ripple of the gear and spread are left out. */
struct model_reversal_truth {
    double lost_motion_mm; /* commanded feed between the release and the next contact that moves nothing:
                              backlash and the tube's clearance */
    double hysteresis_mj;  /* integral of F dx over forward and back, F at the cell, x the commanded feed; NaN
                              when the feeder cannot push that much. What creep and friction take, and never
                              below 0, for a cell at the feeder. Below 0 for one behind a tube with
                              friction: the force there falls later than it rose */
    double force_ratio; /* of the force just before the turn to that where the filament begins to slide back,
                           both at the nip: exp(2 friction bend) */
};
struct model_reversal_truth model_truth_reversal(const struct model_parameters *p, double preload_n,
                                                 double speed_mm_s, double force_n);
struct model_truth model_truth_of_run(const struct model_parameters *p, const struct model_state *s,
                                      double speed_mm_s);

#endif
