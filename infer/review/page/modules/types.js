/**
 * Made from the models by `python -m raysplay.infer.review.contract_files`; do not edit by hand.
 *
 * Shapes of what the server sends and takes; API.md beside the server says more. Film pixels: x = column, y = row,
 * pixel centres at integers. Angles in degrees. Optional: what not every review has, or what need not be sent.
 */

/** @typedef {"review"|"accepted"|"refused"} Decision */
/** @typedef {"open"|"confirmed"|"corrected"|"not_measurable"|"wrong_side"|"wrong_view"} State */
/** @typedef {"L"|"R"} Side */
/** @typedef {"confirm"|"correct"|"cannot_be_measured"|"wrong_side"|"wrong_view"|"reopen"} Verdict */
/** @typedef {"report"|"letter"|"sheet"} Kind */
/** @typedef {"wrong_person"|"private"|"mistake"} Why */
/** @typedef {"idle"|"waiting"|"loading"|"measuring"|"held"|"writing"|"failed"} Stage */
/** @typedef {""|"nothing"|"splint"|"spacer"|"orthosis"|"tape"} Worn */
/** @typedef {""|"full"|"partial"|"simulated"|"none"|"unknown"} Loading */
/** @typedef {""|"before"|"after"} Surgery */
/** @typedef {""|"gait"|"parallel"|"other"} Stance */
/** @typedef {""|"one foot"|"between feet"} Beam */
/** @typedef {""|"exposed"|"added"|"none"} Marker */
/** @typedef {"en"|"de"} Language */
/** @typedef {"A4"|"Letter"} Paper */

/**
 * What the page needs once.
 *
 * @typedef {object} Session
 * @property {RunAbout} run
 * @property {string|null} reader initials
 * @property {Study|null} study
 * @property {Landmark[]} schema
 * @property {Record<string, string>} bones words for the schema's bones
 * @property {Record<string, AxisLandmarks[]>} axes by construction
 * @property {Measure[]} measures
 * @property {string} construction
 * @property {Construction[]} constructions
 * @property {GradingScheme[]} grading
 * @property {string} grading_default
 * @property {number} level of the intervals and of the oval round a point, 0.9
 * @property {Record<string, string>} reason_kinds every kind of reason, and its words in a list of kinds
 * @property {string[]} reasons_not_measurable offered as reasons
 * @property {number} claim_seconds
 * @property {Caution[]} cautions on every page and sheet
 * @property {Colours} colours
 * @property {boolean} clinic films are dropped, and persons kept, on this server, too: its page is `/desk`
 */

/**
 * The run that is reviewed.
 *
 * @typedef {object} RunAbout
 * @property {string} name of its folder
 * @property {string} identity SHA-256 of run.json
 * @property {number} films
 * @property {number} feet
 * @property {string[]} notices weights or configuration changed, earlier reads, ...
 */

/**
 * A blind study, as its reader sees it.
 *
 * @typedef {object} Study
 * @property {string} name
 * @property {number} reads_total
 * @property {number} reads_done
 * @property {string[]} landmarks codes to be placed
 */

/**
 * One landmark of the schema.
 *
 * @typedef {object} Landmark
 * @property {string} code
 * @property {string} bone
 * @property {string} axis bone as axes name it
 * @property {string} text
 * @property {boolean} needed a reported measure stands on it
 */

/**
 * An axis by its landmarks.
 *
 * @typedef {object} AxisLandmarks
 * @property {string} name
 * @property {string} title
 * @property {string[]} from codes; an end is the mean of its landmarks
 * @property {string[]} to codes
 */

/**
 * A measure that the run reports.
 *
 * @typedef {object} Measure
 * @property {string} name
 * @property {string} abbreviation
 * @property {string} title
 * @property {string} unit
 * @property {string} definition
 * @property {Published|null} reference
 * @property {boolean} drawn on the film
 * @property {[number, number]|null} plausible values beyond are taken to be mistakes
 * @property {Record<string, string[]>} landmarks codes by construction
 */

/**
 * What published groups show of a measure without a grade.
 *
 * @typedef {object} Published
 * @property {string} brief
 * @property {string[]} says sentences, each with its source
 */

/**
 * A way to draw the axes.
 *
 * @typedef {object} Construction
 * @property {string} name "run": mixed, as the run's protocol has it
 * @property {string} title
 */

/**
 * A scheme of grades.
 *
 * @typedef {object} GradingScheme
 * @property {string} name
 * @property {string} title
 * @property {string} cited
 * @property {Record<string, GradeBand[]>} scales by measure, the lowest grade first
 */

/**
 * A grade of a scale, with the border at which it begins.
 *
 * @typedef {object} GradeBand
 * @property {string} grade
 * @property {number} [from] the border belongs to the grade; of the lowest grade it is an end
 * @property {number} [above] the border does not belong to it
 * @property {number} [up_to] end of the highest grade
 */

/**
 * What stands on every page; go by the kind, not by the words.
 *
 * @typedef {object} Caution
 * @property {"device"|"use"} kind what the program is not, or what a person has to do
 * @property {string} text
 */

/**
 * Colours on the film, those of the overlays (`overlay_style.py`), as CSS has them.
 *
 * @typedef {object} Colours
 * @property {Record<string, string>} bones by axis
 * @property {string} other
 * @property {string} doubtful
 * @property {string} arc
 */

/**
 * Who sits before the page.
 *
 * @typedef {object} ReaderSent
 * @property {string} initials one to eight letters or digits
 */

/**
 * A reader who stated initials.
 *
 * @typedef {object} SignedIn
 * @property {string} reader in capitals
 */

/**
 * A page of the worklist; `total` feet pass the filter.
 *
 * @typedef {object} Feet
 * @property {number} total
 * @property {Counts} counts
 * @property {WorklistFoot[]} feet
 */

/**
 * How many feet each choice of a filter would leave with the other filters as they are.
 *
 * @typedef {object} Counts
 * @property {Record<string, number>} state
 * @property {Record<string, number>} [decision] not in a blind study
 * @property {Record<string, number>} [side] not in a blind study
 * @property {Record<string, number>} [reason] by kind; not in a blind study
 * @property {Record<string, number>} [found] foot: rows in which a foot was found; none: files without one; not in a blind study
 */

/**
 * A row of the worklist.
 *
 * @typedef {object} WorklistFoot
 * @property {string} [film] not in a blind study
 * @property {string} foot what it is called: L, R, empty where none was found; after a read what its reader said
 * @property {number} [foot_index] not in a blind study
 * @property {State} state
 * @property {Decision} [decision] not in a blind study
 * @property {Said[]} [reasons] not in a blind study
 * @property {Record<string, Interval>} [values] by measure; not in a blind study
 * @property {number|null} [widest] widest interval of an angle, degrees; not in a blind study
 * @property {number|null} [border] distance to the nearest border of the default grading, or end of a scale; not in a blind study
 * @property {boolean} [borderline] an interval reaches over a border; not in a blind study
 * @property {number} version 0 before the first read
 * @property {number} id
 * @property {string|null} [claimed_by] initials; not in a blind study
 */

/**
 * A reason or a remark.
 *
 * @typedef {object} Said
 * @property {string} kind a code that does not change
 * @property {string} text a sentence, for people only
 */

/**
 * A number as it stands: after a correction, the corrected one; null where it is withheld. Degrees and mm with one decimal, ratios with three.
 *
 * @typedef {object} Interval
 * @property {number|null} value
 * @property {number|null} low
 * @property {number|null} high
 */

/**
 * The next or previous foot.
 *
 * @typedef {object} Neighbour
 * @property {number|null} id
 */

/**
 * A foot.
 *
 * @typedef {object} Foot
 * @property {number} id
 * @property {string} run identity of the run
 * @property {string} foot what it is called: L, R or empty
 * @property {string|null} side_by the reader who said so; null where that is the model
 * @property {boolean} anew the model's points do not count, see "wrong side"
 * @property {number} rows
 * @property {number} columns
 * @property {number|null} row_mm
 * @property {number|null} column_mm
 * @property {number} aspect row / column distance
 * @property {string|null} film_notice a sentence: the file is missing, or changed since the run
 * @property {[number, number][]|null} outline the upright crop of the foot, refused ones too: distal medial, distal lateral, proximal lateral, proximal medial; may reach beyond the film
 * @property {State} state
 * @property {number} version 0 before the first read
 * @property {string} construction
 * @property {FootPoint[]} points in the schema's order; in a blind study only those that the reader placed
 * @property {string} note
 * @property {string} reason
 * @property {string} remark what of an earlier version's read is left out; else empty
 * @property {Read[]} history oldest first; empty in a blind study
 * @property {number} film_id
 * @property {Said[]} remarks
 * @property {ClaimState|null} claim
 * @property {number|null} next by FILTER; films of the next feet are decoded ahead
 * @property {number|null} previous by FILTER
 * @property {string|null} film
 * @property {number|null} foot_index
 * @property {Measurements} measured
 * @property {Companion[]} [companions] not in a blind study
 * @property {Decision} [decision] not in a blind study
 * @property {Said[]} [reasons] not in a blind study
 * @property {EarlierRead[]} [earlier] reads of earlier runs of this film that do not stand; not in a blind study
 */

/**
 * A landmark of a foot, in pixels of the film; null where it is not placed or has no spread.
 *
 * @typedef {object} FootPoint
 * @property {string} code
 * @property {number|null} x
 * @property {number|null} y
 * @property {boolean} visible
 * @property {boolean} moved placed by hand
 * @property {number|null} model_x
 * @property {number|null} model_y
 * @property {number|null} var_x square pixels
 * @property {number|null} cov_xy square pixels
 * @property {number|null} var_y square pixels
 * @property {number|null} confidence of the model, 0 to 1
 * @property {boolean} doubtful the model is unsure and no hand placed it
 */

/**
 * A read as it was saved, with what stood before and after it.
 *
 * @typedef {object} Read
 * @property {number} version
 * @property {string} when ISO 8601
 * @property {string} reader initials
 * @property {string} verdict
 * @property {string} note
 * @property {string} reason
 * @property {string} remark what of it is left out now; else empty
 * @property {Content} before
 * @property {Content} after
 * @property {string|null} run first digits of the earlier run that the read was made on
 */

/**
 * What stood or stands.
 *
 * @typedef {object} Content
 * @property {State} state
 * @property {string} side what the foot is called
 * @property {string} frame `shown_as` at that time
 * @property {boolean} anew the model's points do not count
 * @property {string} construction
 * @property {KeptPoint[]} points only those that are not as the model left them
 * @property {Record<string, KeptNumber>} values by measure
 * @property {Record<string, Acceptance>} accepted by measure
 * @property {Record<string, string>} withheld cause by measure
 * @property {string|null} corrected_by who changed a point or the construction last
 * @property {Record<string, string>} hands by measure: who changed last what it stands on
 * @property {string|null} side_by who said what the foot is called; null where that is the model
 * @property {string} reason
 * @property {string} note
 * @property {string} remark what of an earlier version's read is left out; else empty
 */

/**
 * A point as a read holds it, pixels of the film.
 *
 * @typedef {object} KeptPoint
 * @property {string} code
 * @property {number|null} x
 * @property {number|null} y
 * @property {boolean} visible
 * @property {boolean} moved placed by hand
 */

/**
 * A number as a read holds it.
 *
 * @typedef {object} KeptNumber
 * @property {number|null} value
 * @property {number|null} low
 * @property {number|null} high
 * @property {string} construction
 * @property {boolean} by_hand a hand had part in it
 */

/**
 * Who took a number though it is held back.
 *
 * @typedef {object} Acceptance
 * @property {string} by initials
 * @property {string} cause
 * @property {boolean} [by_run]
 */

/**
 * A foot in a reader's hands.
 *
 * @typedef {object} ClaimState
 * @property {string} reader initials
 * @property {number} until seconds since 1970
 */

/**
 * What a foot measures.
 *
 * @typedef {object} Measurements
 * @property {string} side what the foot is called: L, R or empty; it has no part in any number
 * @property {string} shown_as as which side the points show it: L, R or empty
 * @property {Axis[]} axes
 * @property {string} grading
 * @property {Grade[]} grades
 * @property {Measured[]} measures
 */

/**
 * An axis on the film.
 *
 * @typedef {object} Axis
 * @property {string} name
 * @property {string} title
 * @property {[number, number]} from x, y of its proximal end
 * @property {[number, number]} to x, y of its distal end
 */

/**
 * Grade of a measure; nothing withheld has one.
 *
 * @typedef {object} Grade
 * @property {string} measure
 * @property {string} grade empty where the scheme was not made for the value
 * @property {string|null} why why there is no grade
 * @property {number|null} border the one nearest to the value
 * @property {number|null} distance
 * @property {boolean} borderline the error, the reader's published or this reading's own, reaches over the border
 */

/**
 * A measure of a foot.
 *
 * @typedef {object} Measured
 * @property {string} name
 * @property {number|null} value
 * @property {number|null} low
 * @property {number|null} high
 * @property {string} unit
 * @property {string} construction
 * @property {string|null} withheld a sentence
 * @property {Held|null} [held] not in a blind study
 * @property {string|null} [accepted] initials of who took the number though it is held back; not in a blind study
 * @property {boolean} [proven] as in `feet.csv`; not in a blind study
 * @property {boolean} [low_confidence] as in `feet.csv`; not in a blind study
 * @property {boolean} [implausible] its value, which is not told, lies beyond `plausible`; in a blind study alone
 */

/**
 * Why a number is held back.
 *
 * @typedef {object} Held
 * @property {string} cause as in `feet.csv`; `side`: the points lie as on the other foot than the run measured
 * @property {string} words
 * @property {boolean} by_run the run withheld it; else it is held since another construction was chosen
 * @property {string[]} points codes of the landmarks that it waits for
 * @property {boolean} acceptable there is a number
 */

/**
 * Another foot of the same film, as it is called now.
 *
 * @typedef {object} Companion
 * @property {number} id
 * @property {string} foot
 * @property {boolean} renamed
 * @property {State} state
 */

/**
 * A read of an earlier run of the film that does not stand.
 *
 * @typedef {object} EarlierRead
 * @property {number} version
 * @property {string} when ISO 8601
 * @property {string} reader initials
 * @property {string} verdict
 * @property {string} note
 * @property {string} reason
 * @property {string} remark what of it is left out now; else empty
 * @property {Content} before
 * @property {Content} after
 * @property {string|null} run first digits of the earlier run that the read was made on
 * @property {string} outcome why it does not stand
 */

/**
 * Points to be measured; what is left out stays as the server has it.
 *
 * @typedef {object} MeasureSent
 * @property {number} id
 * @property {string|null} [run] what the page was made for
 * @property {number|null} [version] what the page was made for
 * @property {string|null} [construction]
 * @property {string|null} [grading]
 * @property {Side|null} [side] what the foot is called
 * @property {boolean|null} [anew] the model's points do not count, what no hand placed lies nowhere
 * @property {Record<string, number|null>|null} [accepted] measures to be given though they are held back, as long as they have the number that was accepted; null to look at it
 * @property {number|null} [compared] a foot of another film to compare with
 * @property {PointSent[]} [points]
 */

/**
 * A landmark as the page has it, pixels of the film; null where it is not placed.
 *
 * @typedef {object} PointSent
 * @property {string} code
 * @property {number|null} x
 * @property {number|null} y
 * @property {boolean} [visible]
 * @property {boolean} [moved]
 */

/**
 * What points measure as they were sent.
 *
 * @typedef {object} MeasuredNow
 * @property {number} id
 * @property {string} run identity of the run
 * @property {number} version what stands, whatever was sent
 * @property {string} side what the foot is called: L, R or empty; it has no part in any number
 * @property {string} shown_as as which side the points show it: L, R or empty
 * @property {Axis[]} axes
 * @property {string} grading
 * @property {Grade[]} grades
 * @property {Measured[]} measures
 * @property {Comparison|null} [comparison] only where `compared` was sent; not in a blind study
 */

/**
 * What differs from the foot that is compared with.
 *
 * @typedef {object} Comparison
 * @property {"here"|"there"|null} later which film is the later one, by their days; the difference is the later one less the earlier one, or this one less the other where that is not known
 * @property {string|null} why why nothing is compared: one of the feet is unfit
 * @property {string[]} caveats what is not known of the films and might have moved the numbers
 * @property {Change[]} measures
 * @property {number} id of the other foot
 * @property {string|null} taken day of the other film, ISO 8601
 * @property {number} version of the other foot
 */

/**
 * What differs in a measure between two films.
 *
 * @typedef {object} Change
 * @property {string} name
 * @property {number|null} other the other film's number
 * @property {number|null} difference
 * @property {number|null} low
 * @property {number|null} high
 * @property {number|null} reader_mdc change that the published error of readers alone exceeds once in 20 times; null where none is published
 * @property {number|null} mdc smallest change that counts as beyond error: the larger one of that of readers and that of both reads, with what another film of an unchanged foot gives where that is known
 * @property {boolean} holds_new_film whether what another film of an unchanged foot gives is in it
 * @property {string} verdict `beyond error`, `within error`, `not comparable`; the first two after `positional, ` where two films of one day differ in load or in what was worn
 * @property {string|null} why why not comparable: withheld, different constructions, ...
 */

/**
 * A verdict on the version the reader saw, in the run that the page was made for.
 *
 * @typedef {object} ReadSent
 * @property {string|null} [run] what the page was made for
 * @property {number} version the one that the page loaded
 * @property {Verdict} verdict
 * @property {string} [reason]
 * @property {string} [request] any text that marks this save: sent again because the answer was lost, it is answered like the first time
 * @property {string} [note]
 * @property {string|null} [construction]
 * @property {Side|null} [side]
 * @property {boolean|null} [anew]
 * @property {Record<string, number>|null} [accepted] the measures that the reader takes though they are held back, each with the number that was shown; those left out of it are taken no more. Without it, what was accepted stays so where the measure stands on the same points
 * @property {PointSent[]} [points]
 */

/**
 * A read that is on disk.
 *
 * @typedef {object} Saved
 * @property {number} version
 * @property {State} state
 * @property {string} when ISO 8601
 */

/**
 * Who has the foot in hand now.
 *
 * @typedef {object} Claimed
 * @property {ClaimState|null} claim
 */

/**
 * Other films of the same person that show the same foot.
 *
 * @typedef {object} Others
 * @property {string|null} why why there is none: no identifier in the file, no other film, ...
 * @property {string|null} person first digits of the run's code of the person
 * @property {string|null} taken day of this film, ISO 8601
 * @property {OtherFoot[]} feet the nearest in time first, up to 50
 */

/**
 * The same foot of the same person on another film.
 *
 * @typedef {object} OtherFoot
 * @property {number} id
 * @property {string} film
 * @property {string|null} taken ISO 8601
 * @property {string} foot
 * @property {State} state
 * @property {string|null} unfit a sentence: refused, cannot be measured, wrong view
 */

/**
 * How far the worklist is; `by_reader`: settled, by initials.
 *
 * @typedef {object} Progress
 * @property {number} open
 * @property {number} done
 * @property {number} total
 * @property {Record<string, number>} by_reader
 * @property {Tally} [files] those among them in which no foot was found; not in a blind study
 */

/**
 * How many are open, settled, and all.
 *
 * @typedef {object} Tally
 * @property {number} open
 * @property {number} done
 * @property {number} total
 */

/**
 * The desk as a whole.
 *
 * @typedef {object} ClinicState
 * @property {string|null} reader initials; null before they are stated
 * @property {number} films that are here
 * @property {number} withdrawn films that were taken off the desk
 * @property {number} waiting not measured yet
 * @property {HowFar} measuring
 * @property {string} measured identity of the run, empty before the first; another one when films were added
 * @property {string} trouble a sentence, where what was measured cannot be opened; else empty
 * @property {number} persons
 * @property {number} nobody films of which nobody says whose they are
 * @property {number} open feet that nobody has settled
 * @property {number} settled feet that are settled
 * @property {number} upload_bytes largest file that is taken
 */

/**
 * How far measuring is.
 *
 * @typedef {object} HowFar
 * @property {Stage} stage `held`: films are read, and wait until nobody has a foot in hand
 * @property {number} done
 * @property {number} total
 * @property {string} error why it failed; else empty
 */

/**
 * In which language the desk opens from now on.
 *
 * @typedef {object} LanguageSent
 * @property {Language} language
 */

/**
 * In which language the desk opens.
 *
 * @typedef {object} Spoken
 * @property {string} language
 */

/**
 * What became of a file that was dropped, or of a member of a ZIP archive.
 *
 * @typedef {object} Arrival
 * @property {string} given as it was called where it came from
 * @property {number|null} film its number; null where it was left out
 * @property {boolean} known the desk had it already
 * @property {string} why why it was left out; else empty
 */

/**
 * Measure what has come.
 *
 * @typedef {object} MeasuringSent
 * @property {boolean} [anew] every film again, as this version of the program reads it; reads of people stay
 */

/**
 * Films, the latest first.
 *
 * @typedef {object} ClinicFilms
 * @property {number} total
 * @property {ClinicFilm[]} films
 */

/**
 * A film of the desk.
 *
 * @typedef {object} ClinicFilm
 * @property {number} number
 * @property {string} name that the desk gave it
 * @property {string} given as it was called where it came from; in no report
 * @property {string} arrived ISO 8601
 * @property {string} by initials of who dropped it
 * @property {boolean} here its file lies in the desk's folder
 * @property {boolean} measured
 * @property {number|null} film_id as `/api/films/{id}` takes it
 * @property {string} person what the person is called; empty where nobody says whose film it is
 * @property {string} file_person first digits of the run's code of the person in the file; empty where it has none
 * @property {string} taken day, by statement or file; ISO 8601, empty where unknown
 * @property {string} file_taken day by the file
 * @property {string} file_loading by the file
 * @property {string} loading by statement or file
 * @property {Stated} stated
 * @property {ClinicFoot[]} feet
 */

/**
 * What holds of a film by statement; version 0 says nothing.
 *
 * @typedef {object} Stated
 * @property {number} version
 * @property {string} at ISO 8601; empty where nothing was stated
 * @property {string} by
 * @property {string} person
 * @property {string} person_by who said last whose film it is; empty where only the file does
 * @property {string} taken
 * @property {string} worn
 * @property {string} loading
 * @property {number|null} tilt
 * @property {string} surgery
 * @property {string} note
 * @property {string} stance
 * @property {string} beam
 * @property {number|null} distance
 * @property {string} marker
 */

/**
 * A foot on a film, or the film's row where none was found.
 *
 * @typedef {object} ClinicFoot
 * @property {number} id as `/api/feet/{id}` takes it
 * @property {string} foot what it is called: L, R or empty
 * @property {State} state
 * @property {Decision} decision
 * @property {boolean} found there is a foot
 * @property {string[]} numbers measures with their values, in words; none that is withheld
 * @property {string[]} reasons of the decision
 */

/**
 * What a person states of a film, whole: what is left out is stated no more.
 *
 * @typedef {object} StatementSent
 * @property {number} version the one that the page loaded
 * @property {string} [person] a code, never a name
 * @property {string} [taken] day of the film, ISO 8601
 * @property {Worn} [worn]
 * @property {Loading} [loading]
 * @property {number|null} [tilt] tube tilt, degrees toward the heel
 * @property {Surgery} [surgery]
 * @property {string} [note]
 * @property {Stance} [stance] `gait`: the person's own angle and base of gait
 * @property {Beam} [beam]
 * @property {number|null} [distance] tube to detector, centimetres
 * @property {Marker} [marker]
 */

/**
 * A report or a letter that was written.
 *
 * @typedef {object} ClinicDocument
 * @property {number} id
 * @property {string} person
 * @property {Kind} kind
 * @property {string} language
 * @property {string} at ISO 8601
 * @property {string} by
 * @property {boolean} confirmed
 * @property {boolean} stale a number, or what is stated, is another since, or a film that it stands on is gone
 * @property {boolean} withdrawn a film that it stands on was taken off the desk
 * @property {string} deleted_at when its files were deleted; ISO 8601, empty where they were not
 * @property {string} deleted_by
 * @property {string} name
 * @property {string|null} page address of the page, for some minutes; null where its file is gone
 * @property {string|null} pdf the same of the PDF
 */

/**
 * Take a film off the desk.
 *
 * @typedef {object} WithdrawalSent
 * @property {Why} why `wrong_person`: another person's film; `private`: no film of a foot, or a private picture
 * @property {number[]} [papers] that stand on it, as the page has shown them
 * @property {boolean} [delete_papers] their files go with it
 */

/**
 * A film that was taken off the desk.
 *
 * @typedef {object} ClinicWithdrawn
 * @property {number} number
 * @property {string} at ISO 8601
 * @property {string} by
 * @property {Why} why
 * @property {ClinicDocument[]} papers that stood on it
 */

/**
 * A person in the list.
 *
 * @typedef {object} ClinicPerson
 * @property {string} called a code: stated, or that of the file
 * @property {number} films
 * @property {string} last day of the last film
 * @property {number} open feet that nobody has settled
 * @property {number} documents
 */

/**
 * A person with all that the desk has of them.
 *
 * @typedef {object} OnePerson
 * @property {string} called
 * @property {string} ground digest of what a report stands on
 * @property {ClinicFilm[]} films
 * @property {ClinicStep[]} steps
 * @property {string[]} unconfirmed feet with numbers that nobody stands for
 * @property {string[]} left_out films and feet that are in no report, and why
 * @property {boolean} reportable at least one foot has a day and a side
 * @property {ClinicDocument[]} documents
 * @property {Record<string, string>} letter fields of the last letter, to begin the next one with
 */

/**
 * Two films of one foot compared, as the report does it.
 *
 * @typedef {object} ClinicStep
 * @property {string} side
 * @property {string} measure
 * @property {string} first day
 * @property {string} second day
 * @property {string} first_how what was worn, and the load, in words; empty where not stated
 * @property {string} second_how
 * @property {string} difference with its unit; empty where not comparable
 * @property {string} verdict
 * @property {boolean} positional films of one day: position, never progress
 */

/**
 * A report or a letter to be written, or looked at first.
 *
 * @typedef {object} DocumentSent
 * @property {Kind} kind
 * @property {Language} [language]
 * @property {Paper} [paper]
 * @property {Record<string, string>} [fields]
 * @property {boolean} [confirm] the reader stands for it
 * @property {string} [ground] of the person's answer that the page shows
 */

/**
 * A page that can be opened for some minutes.
 *
 * @typedef {object} Handed
 * @property {string} page
 * @property {string} pdf
 */

/**
 * A report or a letter that is on disk.
 *
 * @typedef {object} Written
 * @property {ClinicDocument} document
 */

/**
 * Any other status that is no success.
 *
 * @typedef {object} Refusal
 * @property {string} error what is wrong and what to do, for a reader
 */

/**
 * 409: somebody saved in the meantime; nothing was saved.
 *
 * @typedef {object} Overtaken
 * @property {string} error
 * @property {Theirs} theirs
 * @property {Yours} yours
 */

/**
 * What somebody saved in the meantime.
 *
 * @typedef {object} Theirs
 * @property {number} version
 * @property {string} when ISO 8601
 * @property {string} reader initials
 * @property {string} verdict
 * @property {State} state
 * @property {string} side what the foot is called
 * @property {string} frame `shown_as` at that time
 * @property {boolean} anew the model's points do not count
 * @property {string} construction
 * @property {KeptPoint[]} points only those that are not as the model left them
 * @property {Record<string, KeptNumber>} values by measure
 * @property {Record<string, Acceptance>} accepted by measure
 * @property {Record<string, string>} withheld cause by measure
 * @property {string|null} corrected_by who changed a point or the construction last
 * @property {Record<string, string>} hands by measure: who changed last what it stands on
 * @property {string|null} side_by who said what the foot is called; null where that is the model
 * @property {string} reason
 * @property {string} note
 * @property {string} remark what of an earlier version's read is left out; else empty
 */

/**
 * What was to be saved.
 *
 * @typedef {object} Yours
 * @property {State} state
 * @property {string} side what the foot is called
 * @property {string} frame `shown_as` at that time
 * @property {boolean} anew the model's points do not count
 * @property {string} construction
 * @property {KeptPoint[]} points only those that are not as the model left them
 * @property {Record<string, KeptNumber>} values by measure
 * @property {Record<string, Acceptance>} accepted by measure
 * @property {Record<string, string>} withheld cause by measure
 * @property {string|null} corrected_by who changed a point or the construction last
 * @property {Record<string, string>} hands by measure: who changed last what it stands on
 * @property {string|null} side_by who said what the foot is called; null where that is the model
 * @property {string} reason
 * @property {string} note
 * @property {number} version
 * @property {string} verdict
 */

/**
 * 409: another reader has the foot in hand; nothing was saved.
 *
 * @typedef {object} InOtherHands
 * @property {string} error
 * @property {ClaimState} claim
 */

/**
 * A place on the film, in its pixels.
 *
 * @typedef {object} Place
 * @property {number} x
 * @property {number} y
 */

export {};
