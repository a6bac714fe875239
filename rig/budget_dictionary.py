"""What documents of budgets have in common, for their compression. A dictionary that was used is never changed."""

FIRST = (
    '[["scale_error","scale error","Drift of offset and slope is taken away in the fit; what that costs '
    'is in the rows of the readings.",[["counter trigger","normal","bench file, both edges; of all '
    "readings, times "
    ' for their scatter","readings",null,1,'
    '],["counter resolution","normal","bench file, both edges; of all readings, times '
    '],["noise of the unit","normal","product file, or scatter seen; of all readings, times '
    '],["source grid","normal","resolution of the source; of all readings, times '
    '],["meter, share of reading","rectangular","limits of error, common to all points; '
    'relative","",null,1200,'
    '],["characterisation of the source","normal","its fit and what else it holds; in the result\'s '
    'unit","",40,1,'
    ']],[]],["tracking_musical","worst tracking error","of the worst point, at '
    ' V; bounds by Monte Carlo over all points",[["counter trigger","normal","bench file, both edges; of '
    "all readings, times "
    '],["counter resolution","triangular","bench file, both edges; of all readings, times '
    '],["source grid","rectangular","resolution of the source; of all readings, times '
    '],["meter, share of reading","rectangular","limits of error, common to all points; '
    'relative","",null,'
    ']],[]],["tracking_full","worst tracking error","of the worst point, at '
    ']],[]],["highs_error","highs error","Drift of offset and slope is taken away in the fit; what that '
    'costs is in the rows of the readings.",[["counter trigger","normal","bench file, both edges; of all '
    "readings, times "
    ']],[]],["base_pitch","base pitch","Drift of offset and slope is taken away in the fit; what that '
    'costs is in the rows of the readings.",[["counter trigger","normal","bench file, both edges; of all '
    "readings, times "
    ' for their scatter","readings",'
    '],["meter, share of range","rectangular","limits of error, common to all points; V","",null,1200,'
    '],["time base","normal","calibration, ageing, temperature; relative, over ln 2","",null,1200,'
    '],["model misfit","rectangular","allowance of the product file, cents","",null,1,'
    ']],[]],["rail","rail voltage","",[["meter, limits of error","rectangular","bench file; reading and '
    'range","",null,1,'
    '],["meter, resolution","rectangular","bench file","",null,1,'
    '],["repeatability","t","standard deviation of the mean of 5","",4,1,'
    ']],[]],["octave_step_1","octave step 1","",[["reading there","normal","counter and noise of the '
    'unit, octaves","",null,1200,'
    '],["reading at the first position","normal","counter and noise of the unit, octaves","",null,-1200,'
    '],["drift in between","rectangular","the first position read again says how far; cents","",null,1,'
    ']],[]],["octave_step_2","octave step 2","",[["reading there","normal","counter and noise of the '
    'unit, octaves","",null,1200,'
    ']],[]],["octave_step_3","octave step 3","",[["reading there","normal","counter and noise of the '
    'unit, octaves","",null,1200,'
    ']],[]],["octave_step_4","octave step 4","",[["reading there","normal","counter and noise of the '
    'unit, octaves","",null,1200,'
    ']],[]],["knob_range","knob range","",[["reading at the high stop","normal","counter and noise of '
    'the unit, octaves","",null,1200,'
    '],["reading at the low stop","normal","counter and noise of the unit, octaves","",null,-1200,'
    ']],[]],["knob_centre","knob centre","",[["hand that sets the middle","normal","repeatability of the '
    'product file, cents","",null,1,8],["reading at the middle","normal","counter and noise of the unit, '
    'octaves","",null,1200,'
    '],["reading at the low stop","normal","counter and noise of the unit, octaves","",null,-600,'
    '],["reading at the high stop","normal","counter and noise of the unit, octaves","",null,-600,'
    ']],[]],["drift_low","drift, low end","",[["readings about their line","t","13 readings, the larger '
    'of stated noise and scatter seen","",11,1,'
    ']],[]],["drift_high","drift, high end","",[["readings about their line","t","13 readings, the '
    'larger of stated noise and scatter seen","",11,1,'
)
"""Findings of a product with rail, octave switch and knob, as the first version wrote them, less the numbers."""

DICTIONARIES = {1: FIRST.encode("ascii")}
"""By version of the document."""
