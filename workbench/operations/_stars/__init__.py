"""Stars as light of their own: a model of every star, fitted to a frame, and taken out of it in part or whole.

Model of the light. Around star i, with ``rho`` the elliptical distance in units of the local FWHM,

    frame(c, p) = ground(c, p) + sum over i of min(peak(i, c) w_i u_c(rho), limit(i, c)) + noise.

``u`` is one radial profile for the field, per channel: a Moffat core, and wings as the bright stars show them. ``w`` is
the share of these wings that star i has: 1 in its core, and as the ring around it says from there on.
``limit`` is the height at which a saturated star was cut off. ``ground`` is the sky and nebula under the star, a
second-order surface continued from a ring around it, from which the star's own wings have been taken.

`build.build_model` fits the model (a few sweeps, each star with its neighbors taken away), `remove.take_light`
takes any share of the light out of pixels, all of it when ``dim`` is 0: the frame without stars. What was taken
is the difference, a layer of stars.
"""
