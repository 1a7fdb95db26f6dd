<CsoundSynthesizer>
; One note of two oscillators, a 24 dB low-pass and an amplifier; filled in by
; make_known_answers.py. Every control is computed for each sample (ksmps = 1), from closed forms.
<CsInstruments>
sr = 44100
ksmps = 1
nchnls = 1
0dbfs = 1

; A straight line to 1 in iattack, then exponentially to isustain, time constant idecay.
opcode held_envelope, k, kiii
  kt, iattack, idecay, isustain xin
  kfalling = isustain + (1 - isustain) * exp(-(kt - iattack) / idecay)
  xout (kt < iattack ? kt / iattack : kfalling)
endop

; The same while the gate is open; then exponentially to 0, time constant irelease.
opcode envelope, k, kiiiii
  kt, igate, iattack, idecay, isustain, irelease xin
  kheld held_envelope min(kt, igate), iattack, idecay, isustain
  xout kheld * exp(-max(kt - igate, 0) / irelease)
endop

; Cents of vibrato: silent for half of idelay, then in a straight line to full depth. The rate
; starts irate_env octaves away and settles with a time constant of 0.5 s.
opcode vibrato, k, kiiiii
  kt, irate, idepth, idelay, irate_env, iphase xin
  kphase phasor irate * 2 ^ (irate_env * exp(-kt / 0.5)), iphase
  kfade = min(max(2 * kt / max(idelay, 0.000001) - 1, 0), 1)
  xout idepth * kfade * sin(2 * $M_PI * kphase)
endop

; Sawtooth, pulse and triangle of one phase. A pulse of the rest of the cycle is one whose other
; edge moves (iedge 0.5); it may be turned over against the sawtooth (ipolarity 0.5). vco2 lets the sawtooth fall, the pulse start high,
; and the pulse keep its mean: turned round, the sawtooth rises, the pulse is high for the last
; part iwidth of the cycle, and its mean is taken away.
opcode waveforms, a, kkiiiiii
  khz, kwidth, isaw, ipulse, itriangle, iphase, iedge, ipolarity xin
  kwidth = (iedge == 0.5 ? 1 - kwidth : kwidth)
  ipulse = (ipolarity == 0.5 ? -ipulse : ipulse)
  asaw vco2 isaw, khz, 16, 0.5, iphase
  apulse vco2 ipulse, khz, 18, 1 - kwidth, iphase
  atriangle vco2 itriangle, khz, 28, 0.5, iphase
  xout atriangle - asaw - apulse + ipulse * (1 - 2 * kwidth)
endop

instr 1
  imidi_pitch = ${note.midi_pitch}
  igate = ${note.gate_s}
  ikey_octaves = (imidi_pitch - 60) / 12
  inote_hz = 440 * 2 ^ ((imidi_pitch - 69) / 12 + ${tune_cents} / 1200)
  kn init -1
  kn = kn + 1
  kt = kn / sr

  kbend1 held_envelope kt, ${osc1.pitch_env.attack_s}, ${osc1.pitch_env.decay_s}, 0
  kbend2 held_envelope kt, ${osc2.pitch_env.attack_s}, ${osc2.pitch_env.decay_s}, 0
  irate1 = ${osc1.vibrato.rate_hz} * 2 ^ (${osc1.vibrato.rate_key_track_ratio} * ikey_octaves)
  irate2 = ${osc2.vibrato.rate_hz} * 2 ^ (${osc2.vibrato.rate_key_track_ratio} * ikey_octaves)
  idepth1 = ${osc1.vibrato.depth_cents} * 2 ^ (${osc1.vibrato.depth_key_track_ratio} * ikey_octaves)
  idepth2 = ${osc2.vibrato.depth_cents} * 2 ^ (${osc2.vibrato.depth_key_track_ratio} * ikey_octaves)
  kvibrato1 vibrato kt, irate1, idepth1, ${osc1.vibrato.delay_s}, ${osc1.vibrato.rate_env_octaves}, ${osc1.vibrato.phase}
  kvibrato2 vibrato kt, irate2, idepth2, ${osc2.vibrato.delay_s}, ${osc2.vibrato.rate_env_octaves}, ${osc2.vibrato.phase}
  kcents1 = ${osc1.pitch_env.depth_cents} * kbend1 + kvibrato1
  kcents2 = ${osc2.pitch_env.depth_cents} * kbend2 + kvibrato2 + ${osc2.detune_cents}

  kpwm1 phasor ${osc1.pwm.rate_hz} * 2 ^ (${osc1.pwm.rate_key_track_ratio} * ikey_octaves), ${osc1.pwm.phase}
  kpwm2 phasor ${osc2.pwm.rate_hz} * 2 ^ (${osc2.pwm.rate_key_track_ratio} * ikey_octaves), ${osc2.pwm.phase}
  kwidth1 = ${osc1.pulse_width_ratio} + ${osc1.pwm.depth_ratio} * sin(2 * $M_PI * kpwm1)
  kwidth2 = ${osc2.pulse_width_ratio} + ${osc2.pwm.depth_ratio} * sin(2 * $M_PI * kpwm2)

  aosc1 waveforms inote_hz * 2 ^ (${osc1.octave} + kcents1 / 1200), kwidth1, ${osc1.saw_level}, ${osc1.pulse_level}, ${osc1.triangle_level}, 0, ${pulse.edge}, ${pulse.polarity}
  aosc2 waveforms inote_hz * 2 ^ (${osc2.octave} + kcents2 / 1200), kwidth2, ${osc2.saw_level}, ${osc2.pulse_level}, ${osc2.triangle_level}, ${osc2.phase}, ${pulse.edge}, ${pulse.polarity}
  amix = aosc1 + aosc2

  ; zdf_ladder (Opcodes/wpfilters.c): four equal one-pole stages in a loop, each -3 dB at the
  ; cutoff; its Q of 0.5 to 25 is the loop gain of 0 to 4 in a straight line, 4 the edge of
  ; self-oscillation. A cutoff of 20 kHz is out of the way: the filter is left out.
  icutoff = ${filter.cutoff_hz}
  if icutoff < 20000 then
    kfilter_env envelope kt, igate, ${filter_env.attack_s}, ${filter_env.decay_s}, ${filter_env.sustain_ratio}, ${filter_env.release_s}
    koctaves = ${filter_env.depth_octaves} * kfilter_env + ${filter.key_track_ratio} * ikey_octaves
    kcutoff = min(max(icutoff * 2 ^ koctaves, 20), 0.49 * sr)
    amix zdf_ladder amix, kcutoff, 0.5 + 24.5 * ${filter.resonance_ratio}
  endif

  kamp envelope kt, igate, ${amp_env.attack_s}, ${amp_env.decay_s}, ${amp_env.sustain_ratio}, ${amp_env.release_s}
  out amix * kamp
endin
</CsInstruments>
<CsScore>
i 1 0 ${note.duration_s}
</CsScore>
</CsoundSynthesizer>
