"""What a joint costs in light: plain numbers in, plain numbers out.

No fact, no policy, no input or output is known here. Lengths of fibre geometry are in µm, wavelengths in
µm, angles in degrees, losses in dB and positive, reflectances in dB and negative, return losses in dB and
positive. A mode-field *radius* w is half the mode-field diameter of a data sheet.
"""
