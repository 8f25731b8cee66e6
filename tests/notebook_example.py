# %% [markdown]
# # How well does this vehicle steer, and what would one turn of the tie rod do?
#
# A notebook in the percent format, which Jupyter and the usual editors open. The shoot is simulated here; with photos
# of your own, read them with `capture.read_shoot` instead.

# %%
from dataclasses import replace
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

from calib import Linkage, compare, curve_figures, estimate, load_rig, plan_shoot, propose, sensitivity
from tests.render.shoot import simulate_observations
from tests.render.truth import sample_truth

RIG = Path("sample_data/rig.toml")
rig = load_rig(RIG)
{name: f"{rod.length:.1f} mm" for name, rod in rig.rods.items()}

# %% [markdown]
# ## Before the first photo
# Three photos at each position: what would be known of toe?

# %%
plan = plan_shoot(rig, photos_per_position=3)
toe_known = plan.worst("toe")
f"toe +/- {toe_known:.2f} deg (95 %)"

# %% [markdown]
# ## The shoot and the estimate

# %%
observations = simulate_observations(sample_truth(RIG), sigma_px=0.06, rng=np.random.default_rng(5))
observations.table.head()

# %%
fit = estimate(rig, observations)
fit

# %%
fit.pivot_table

# %% [markdown]
# ## Against the drawing

# %%
comparison = compare(rig, fit)
comparison

# %%
figure, axes = plt.subplots()
curves = comparison.curves()
for side, colour in (("left", "tab:blue"), ("right", "tab:orange")):
    axes.plot(curves["lever_deg"], curves[f"{side}_design_deg"], "--", color=colour)
    middle, band = curves[f"{side}_asbuilt_deg"], curves[f"{side}_u95_deg"]
    axes.fill_between(curves["lever_deg"], middle - band, middle + band, color=colour, alpha=0.4)
axes.set(xlabel="lever angle, deg", ylabel="steer, left positive, deg")
plt.close(figure)

# %% [markdown]
# ## What to change

# %%
proposals = propose(rig, fit.as_built)
proposals

# %%
rod = next(name for name, r in rig.rods.items() if "tie" in name and r.per_turn)
turn = rig.rods[rod].per_turn
measured = fit.as_built.rig
longer = replace(measured, rods={**measured.rods, rod: replace(measured.rods[rod],
                                                               length=measured.rods[rod].length + turn)})
lever = np.radians(np.linspace(-30, 30, 61))
before, after = (curve_figures(r, Linkage(r).sweep(lever)) for r in (measured, longer))
{n: f"{np.degrees(after[n] - before[n]):+.2f} deg" for n in ("toe", "lock_left", "lock_right")}

# %% [markdown]
# The same from the drawing's slopes, to see that they agree.

# %%
table = sensitivity(rig)
slope = table[(table["figure"] == "toe") & (table["dimension"] == f"{rod}.length")]["slope"].iloc[0]
f"one turn of {rod} moves toe by {slope * turn:+.2f} deg"
