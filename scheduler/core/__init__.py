"""The agronomy and hydraulics: pure functions, arrays in, arrays out.

One quantity has one name and one unit.  All depths are per planted area: row length x row spacing.

    et0             grass reference evapotranspiration, mm/d
    kc              crop coefficient of the day
    etc             crop evapotranspiration without stress, Kc ET0, mm/d
    eta             what the crop really used, Ks Kc ET0, mm/d
    taw, raw        total and readily available water of the root zone, mm
    p               share of TAW used without stress, that day
    deficit, Dr     water missing below field capacity, mm
    ks              stress coefficient
    ea, es          actual and saturation vapour pressure, kPa
    ra, rs, rso     extraterrestrial, solar and clear-sky radiation, MJ/m2/d
    u2              wind at 2 m, m/s
    net, gross      depth the roots get, depth the tape gives (net / EU), mm
    EU, uniformity  emission uniformity

Arrays have zone as last axis and day before it; missing is nan.
"""
