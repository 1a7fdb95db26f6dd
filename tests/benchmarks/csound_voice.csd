<CsoundSynthesizer>
; The whole voice but for drive, as somebody who knows Csound would write it for speed: its own
; envelope and oscillator opcodes, controls every 16 samples. Filled in by csound.py.
<CsInstruments>
sr = 44100
ksmps = 16
nchnls = 1
0dbfs = 1

gisine ftgen 0, 0, 8192, 10, 1

instr 1
  ikey_octaves = (${note.midi_pitch} - 60) / 12
  inote_hz = 440 * 2 ^ ((${note.midi_pitch} - 69) / 12 + ${tune_cents} / 1200)

  ; transeg's curve of -8 is an exponential that runs for 8 time constants.
  kbend1 transeg 0, ${osc1.pitch_env.attack_s}, 0, 1, 8 * ${osc1.pitch_env.decay_s}, -8, 0
  kbend2 transeg 0, ${osc2.pitch_env.attack_s}, 0, 1, 8 * ${osc2.pitch_env.decay_s}, -8, 0

  ; The rate settles with a time constant of 0.5 s; the depth rises over the delay's second half.
  ksettle transeg 1, 4, -8, 0
  kfade1 linseg 0, 0.5 * ${osc1.vibrato.delay_s}, 0, 0.5 * ${osc1.vibrato.delay_s}, 1
  kfade2 linseg 0, 0.5 * ${osc2.vibrato.delay_s}, 0, 0.5 * ${osc2.vibrato.delay_s}, 1
  irate1 = ${osc1.vibrato.rate_hz} * octave(${osc1.vibrato.rate_key_track_ratio} * ikey_octaves)
  irate2 = ${osc2.vibrato.rate_hz} * octave(${osc2.vibrato.rate_key_track_ratio} * ikey_octaves)
  idepth1 = ${osc1.vibrato.depth_cents} * octave(${osc1.vibrato.depth_key_track_ratio} * ikey_octaves)
  idepth2 = ${osc2.vibrato.depth_cents} * octave(${osc2.vibrato.depth_key_track_ratio} * ikey_octaves)
  kvibrato1 oscili idepth1 * kfade1, irate1 * octave(${osc1.vibrato.rate_env_octaves} * ksettle), gisine, ${osc1.vibrato.phase}
  kvibrato2 oscili idepth2 * kfade2, irate2 * octave(${osc2.vibrato.rate_env_octaves} * ksettle), gisine, ${osc2.vibrato.phase}
  khz1 = inote_hz * octave(${osc1.octave}) * cent(${osc1.pitch_env.depth_cents} * kbend1 + kvibrato1)
  khz2 = inote_hz * octave(${osc2.octave}) * cent(${osc2.pitch_env.depth_cents} * kbend2 + kvibrato2 + ${osc2.detune_cents})

  kpwm1 oscili ${osc1.pwm.depth_ratio}, ${osc1.pwm.rate_hz} * octave(${osc1.pwm.rate_key_track_ratio} * ikey_octaves), gisine, ${osc1.pwm.phase}
  kpwm2 oscili ${osc2.pwm.depth_ratio}, ${osc2.pwm.rate_hz} * octave(${osc2.pwm.rate_key_track_ratio} * ikey_octaves), gisine, ${osc2.pwm.phase}
  kwidth1 = ${osc1.pulse_width_ratio} + kpwm1
  kwidth2 = ${osc2.pulse_width_ratio} + kpwm2

  ; Sawtooth and pulse are turned round as in ../known_answers/note.csd.
  asaw1 vco2 -${osc1.saw_level}, khz1, 16, 0.5, 0
  asaw2 vco2 -${osc2.saw_level}, khz2, 16, 0.5, ${osc2.phase}
  apulse1 vco2 -${osc1.pulse_level}, khz1, 18, 1 - kwidth1, 0
  apulse2 vco2 -${osc2.pulse_level}, khz2, 18, 1 - kwidth2, ${osc2.phase}
  kmean = ${osc1.pulse_level} * (1 - 2 * kwidth1) + ${osc2.pulse_level} * (1 - 2 * kwidth2)

  knoise transeg ${noise.level}, 8 * ${noise.decay_s}, -8, 0
  anoise rand knoise, 0.5, 1
  amix atone asaw1 + asaw2 + apulse1 + apulse2 + anoise * (1 - ${noise.bypass_ratio}) + kmean, ${highpass.cutoff_hz}

  kfilter_env transegr 0, ${filter_env.attack_s}, 0, 1, 8 * ${filter_env.decay_s}, -8, ${filter_env.sustain_ratio}, 8 * ${filter_env.release_s}, -8, 0
  icutoff = ${filter.cutoff_hz} * octave(${filter.key_track_ratio} * ikey_octaves)
  kcutoff = min(icutoff * octave(${filter_env.depth_octaves} * kfilter_env), 0.49 * sr)
  afiltered zdf_ladder amix, kcutoff, 0.5 + 24.5 * ${filter.resonance_ratio}
  aamp transegr 0, ${amp_env.attack_s}, 0, 1, 8 * ${amp_env.decay_s}, -8, ${amp_env.sustain_ratio}, 8 * ${amp_env.release_s}, -8, 0
  ; The cookbook's bell: its A and Q are the root of V and Q / A here.
  ia = ampdb(0.5 * ${body.gain_db})
  abody pareq afiltered, ${body.frequency_hz}, ia * ia, ia / (2 * sinh(0.5 * log(2) * ${body.bandwidth_octaves}))

  out (abody + anoise * ${noise.bypass_ratio}) * aamp
endin
</CsInstruments>
<CsScore>
i 1 0 ${note.gate_s}
</CsScore>
</CsoundSynthesizer>
