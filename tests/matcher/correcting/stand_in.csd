<CsoundSynthesizer>
; A stand-in for somebody's instrument, written without a look at the voice: knobs from 0 to 10
; whose curves are bent in the middle, attacks like a capacitor's, a ladder that is driven before
; and not after, free phases, oscillators that drift, a soft amplifier, and a floor of noise.
<CsOptions>
</CsOptions>
<CsInstruments>
sr = 44100
ksmps = 4
nchnls = 1
0dbfs = 1

seed ${seed}

; A knob between two values in equal ratios; its curve is off by a share of the value in the middle.
opcode Knob, i, iiii
  iplace, ilow, ihigh, ioff xin
  ip = iplace / 10
  xout ilow * (ihigh / ilow) ^ ip * (1 + ioff * 4 * ip * (1 - ip))
endop

; Towards 1.3 as a capacitor is loaded, then down to the sustain; tau falls to the release.
opcode Contour, a, iiiii
  iattack, idecay, isustain, irelease, igate xin
  aout init 0
  kvalue init 0
  kstage init 0
  ktime timeinsts
  iloaded = log(1.3 / 0.3) / iattack
  if ktime >= igate then
    kvalue = kvalue * exp(-ksmps / sr / irelease)
  elseif kstage == 0 then
    kvalue = kvalue + (1.3 - kvalue) * (1 - exp(-iloaded * ksmps / sr))
    if kvalue >= 1 then
      kvalue = 1
      kstage = 1
    endif
  else
    kvalue = isustain + (kvalue - isustain) * exp(-ksmps / sr / idecay)
  endif
  aout interp kvalue
  xout aout
endop

instr 1
  igate = ${gate}
  ihz = cpsmidinn(${pitch})
  icutoff Knob ${cutoff}, 40, 16000, ${off_cutoff}
  iattack Knob ${attack}, 0.002, 4, ${off_attack}
  idecay Knob ${decay}, 0.02, 5, ${off_decay}
  irelease Knob ${release}, 0.02, 5, ${off_decay}
  ifattack Knob ${filter_attack}, 0.002, 4, ${off_attack}
  ifdecay Knob ${filter_decay}, 0.02, 5, ${off_decay}
  idepth = ${depth} / 10 * 6 * (1 + ${off_depth})
  kdrift1 randi 2, 0.7, 2
  kdrift2 randi 2, 0.5, 2
  iphase1 random 0, 1
  iphase2 random 0, 1
  a1 vco2 1, ihz * cent(kdrift1), 16, 0.5, iphase1
  a2 vco2 1, ihz * cent(${detune} * 5 + kdrift2), 16, 0.5, iphase2
  asum = a1 + a2 * ${second} / 10
  aenv Contour iattack, idecay, ${sustain} / 10, irelease, igate
  afenv Contour ifattack, ifdecay, ${filter_sustain} / 10, irelease, igate
  kfenv downsamp afenv
  kcut = icutoff * 2 ^ (idepth * kfenv)
  kcut limit kcut, 30, 18000
  aladder zdf_ladder tanh(asum * 0.7), kcut, 0.5 + ${resonance} / 10 * 12
  afloor rand 0.0004, 2
  out tanh(aladder * aenv * 0.5) * 0.8 + afloor
endin
</CsInstruments>
<CsScore>
i 1 0.1 ${length}
e
</CsScore>
</CsoundSynthesizer>
