// What is asked, which answers there are, and where an answer goes. The fields are those of `context` and `subject` in the API.

export const CHOICES = {
  arm_height: ["at", "below", "above"],
  sleeve: ["bare", "thin", "thick"],
  pulse_palpated: ["regular", "irregular"],
  care: ["ordinary", "inpatient", "emergency", "dialysis", "procedure-day"],
  pregnancy: ["no", "pregnant", "postpartum"],
  sex: ["female", "male"],
};
export const YES_OR_NO = ["yes", "no"];
export const NUMBERS = ["rest_minutes", "height_cm", "arm_circumference_cm"];
// Facts about the person are put right by a correction; answers about the measurement are appended.
export const OF_PERSON = ["pregnancy", "sex", "birth_date", "height_cm", "arm_circumference_cm"];

// Asked before the first reading, in this order; with each the answer that a careful measurement has. Null is for what must be
// looked at or felt by itself.
export const PREPARATION = {
  rest_minutes: null,
  caffeine_within_30_min: "no",
  tobacco_within_30_min: "no",
  exercise_within_30_min: "no",
  full_bladder: "no",
  pain: "no",
  anxiety_or_stress: "no",
  quiet_room: "yes",
  back_supported: "yes",
  feet_flat: "yes",
  legs_crossed: "no",
  sleeve: "bare",
  arm_supported: "yes",
  arm_height: "at",
  cuff_fits_two_fingers: "yes",
  pulse_palpated: null,
};
export const CUFFS = ["small-adult", "adult", "large-adult", "extra-large-adult"];

export function choices_of(field) {
  return CHOICES[field] ?? YES_OR_NO;
}
