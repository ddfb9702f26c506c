//! Numbers of the world outside: decompositions that other programs computed from the same data.
//!
//! Sources: the original netlib Fortran of STL (Cleveland et al. 1990) on monthly carbon dioxide at Mauna Loa (public
//! data of the US government; output as statsmodels' tests carry it), and R's `forecast::mstl` on hourly electricity
//! demand. The tests of `cusum`, `ewma`, `bocpd`, `robust` and `segment` hold the other published examples.

use notchwatch_detect::stl::{Stl, mstl};

use crate::real_input::data;

/// Carbon dioxide at Mauna Loa, ppm by volume, 348 months.
#[rustfmt::skip]
const CO2: [f64; 348] = [
    315.58, 316.39, 316.79, 317.82, 318.39, 318.22, 316.68, 315.01, 314.02, 313.55, 315.02, 315.75,
    316.52, 317.1, 317.79, 319.22, 320.08, 319.7, 318.27, 315.99, 314.24, 314.05, 315.05, 316.23,
    316.92, 317.76, 318.54, 319.49, 320.64, 319.85, 318.7, 316.96, 315.17, 315.47, 316.19, 317.17,
    318.12, 318.72, 319.79, 320.68, 321.28, 320.89, 319.79, 317.56, 316.46, 315.59, 316.85, 317.87,
    318.87, 319.25, 320.13, 321.49, 322.34, 321.62, 319.85, 317.87, 316.36, 316.24, 317.13, 318.46,
    319.57, 320.23, 320.89, 321.54, 322.2, 321.9, 320.42, 318.6, 316.73, 317.15, 317.94, 318.91,
    319.73, 320.78, 321.23, 322.49, 322.59, 322.35, 321.61, 319.24, 318.23, 317.76, 319.36, 319.5,
    320.35, 321.4, 322.22, 323.45, 323.8, 323.5, 322.16, 320.09, 318.26, 317.66, 319.47, 320.7,
    322.06, 322.23, 322.78, 324.1, 324.63, 323.79, 322.34, 320.73, 319.0, 318.99, 320.41, 321.68,
    322.3, 322.89, 323.59, 324.65, 325.3, 325.15, 323.88, 321.8, 319.99, 319.86, 320.88, 322.36,
    323.59, 324.23, 325.34, 326.33, 327.03, 326.24, 325.39, 323.16, 321.87, 321.31, 322.34, 323.74,
    324.61, 325.58, 326.55, 327.81, 327.82, 327.53, 326.29, 324.66, 323.12, 323.09, 324.01, 325.1,
    326.12, 326.62, 327.16, 327.94, 329.15, 328.79, 327.53, 325.65, 323.6, 323.78, 325.13, 326.26,
    326.93, 327.84, 327.96, 329.93, 330.25, 329.24, 328.13, 326.42, 324.97, 325.29, 326.56, 327.73,
    328.73, 329.7, 330.46, 331.7, 332.66, 332.22, 331.02, 329.39, 327.58, 327.27, 328.3, 328.81,
    329.44, 330.89, 331.62, 332.85, 333.29, 332.44, 331.35, 329.58, 327.58, 327.55, 328.56, 329.73,
    330.45, 330.98, 331.63, 332.88, 333.63, 333.53, 331.9, 330.08, 328.59, 328.31, 329.44, 330.64,
    331.62, 332.45, 333.36, 334.46, 334.84, 334.29, 333.04, 330.88, 329.23, 328.83, 330.18, 331.5,
    332.8, 333.22, 334.54, 335.82, 336.45, 335.97, 334.65, 332.4, 331.28, 330.73, 332.05, 333.54,
    334.65, 335.06, 336.32, 337.39, 337.66, 337.56, 336.24, 334.39, 332.43, 332.22, 333.61, 334.78,
    335.88, 336.43, 337.61, 338.53, 339.06, 338.92, 337.39, 335.72, 333.64, 333.65, 335.07, 336.53,
    337.82, 338.19, 339.89, 340.56, 341.22, 340.92, 339.26, 337.27, 335.66, 335.54, 336.71, 337.79,
    338.79, 340.06, 340.93, 342.02, 342.65, 341.8, 340.01, 337.94, 336.17, 336.28, 337.76, 339.05,
    340.18, 341.04, 342.16, 343.01, 343.64, 342.91, 341.72, 339.52, 337.75, 337.68, 339.14, 340.37,
    341.32, 342.45, 343.05, 344.91, 345.77, 345.3, 343.98, 342.41, 339.89, 340.03, 341.19, 342.87,
    343.74, 344.55, 345.28, 347.0, 347.37, 346.74, 345.36, 343.19, 340.97, 341.2, 342.76, 343.96,
    344.82, 345.82, 347.24, 348.09, 348.66, 347.9, 346.27, 344.21, 342.88, 342.58, 343.99, 345.31,
    345.98, 346.72, 347.63, 349.24, 349.83, 349.1, 347.52, 345.43, 344.48, 343.89, 345.29, 346.54,
    347.66, 348.07, 349.12, 350.55, 351.34, 350.8, 349.1, 347.54, 346.2, 346.2, 347.44, 348.67,
];

/// Month, season and trend printed by the Fortran program: period 12, smoothers 35, 19 and 13, all of degree 1,
/// jumps 4, 2 and 2, one inner and two outer loops.
#[rustfmt::skip]
const NETLIB: [(usize, f64, f64); 24] = [
    (0, -0.131_254_643_360_662_84, 315.551_939_725_323_56),
    (1, 0.517_069_428_110_974_3, 315.644_481_572_339_2),
    (2, 1.081_820_675_849_206_8, 315.737_023_419_354_84),
    (3, 2.133_266_373_587_731_3, 315.831_019_342_045_8),
    (4, 2.733_755_468_741_27, 315.925_015_264_736_7),
    (5, 2.239_977_768_358_944, 316.017_871_370_005_65),
    (6, 0.929_699_515_256_558_3, 316.110_727_475_274_53),
    (7, -1.114_447_074_204_051_8, 316.202_019_778_799_87),
    (8, -2.675_738_212_455_807_6, 316.293_312_082_325_2),
    (9, -2.878_563_304_887_366_7, 316.398_957_194_297_85),
    (10, -1.902_097_858_531_898, 316.504_602_306_270_56),
    (11, -0.960_288_396_846_882_2, 316.616_296_186_513_64),
    (100, 2.804_711_150_101_129, 321.747_136_428_681_2),
    (101, 2.276_935_209_902_739_6, 321.807_410_271_409_6),
    (150, 0.894_537_269_185_273_4, 326.570_758_966_510_94),
    (151, -1.174_534_571_309_073_8, 326.668_917_429_333_93),
    (200, -2.969_882_917_700_443_8, 331.320_332_426_266_13),
    (250, -2.090_021_251_206_66, 337.256_957_925_443_94),
    (300, -0.076_024_513_393_407_06, 343.766_557_628_139_8),
    (301, 0.546_239_431_030_837_2, 343.886_350_911_357),
    (344, -3.113_313_542_771_087_4, 349.088_239_635_705_07),
    (345, -3.428_460_209_718_667, 349.291_727_004_363_1),
    (346, -2.142_637_582_559_708, 349.495_214_373_021_1),
    (347, -0.948_981_962_890_884_3, 349.702_691_602_920_9),
];

fn netlib_parameters() -> Stl {
    let usual = Stl { seasonal_lines: true, jumps: [4, 2, 2], inner: 1, outer: 2, ..Stl::new(12, 35) };
    Stl { trend: 19, low_pass: 13, ..usual }
}

#[test]
fn stl_equals_netlib() {
    let fitted = netlib_parameters().fit(&CO2).unwrap();
    for (month, season, trend) in NETLIB {
        assert!((fitted.seasonal[month] - season).abs() < 1e-9, "season of month {month}");
        assert!((fitted.trend[month] - trend).abs() < 1e-9, "trend of month {month}");
    }
}

/// The whole table of six other parameter sets and robustness weights.
#[test]
fn stl_equals_the_whole_netlib_table() {
    let Some(data) = data() else { return };
    let text = std::fs::read_to_string(data.join("stl_reference/stl_test_results.csv")).unwrap();
    let mut compared = 0;
    let base = netlib_parameters();
    for (scenario, stl, months) in [
        ("baseline", base, 348),
        ("nljump-1", Stl { jumps: [4, 2, 1], ..base }, 348),
        ("ntjump-1", Stl { jumps: [4, 1, 2], ..base }, 348),
        ("nljump-1-ntjump-1", Stl { jumps: [4, 1, 1], ..base }, 348),
        ("short", base, 347),
        ("stlez", Stl { seasonal_lines: true, jumps: [4, 2, 2], ..Stl::new(12, 35) }, 348),
    ] {
        let fitted = stl.fit(&CO2[..months]).unwrap();
        let rows = text.lines().map(|l| l.split(',').map(str::trim).collect::<Vec<_>>());
        for row in rows.filter(|r| r[0] == scenario) {
            let month: usize = row[1].parse().unwrap();
            let printed: Vec<f64> = row[2..5].iter().map(|c| c.parse().unwrap()).collect();
            let ours = [fitted.seasonal[month], fitted.trend[month], fitted.counts[month]];
            for (a, b) in ours.iter().zip(&printed) {
                assert!((a - b).abs() < 1e-8, "{scenario} month {month}: {ours:?} against {printed:?}");
            }
            compared += 1;
        }
    }
    println!("compared {compared} rows with the netlib program's output");
    assert!(compared > 2000);
}

#[test]
fn mstl_equals_r() {
    let Some(data) = data() else { return };
    let text = std::fs::read_to_string(data.join("stl_reference/mstl_test_results.csv")).unwrap();
    let rows: Vec<Vec<f64>> =
        text.lines().skip(1).map(|l| l.split(',').map(|c| c.parse().unwrap()).collect()).collect();
    let y: Vec<f64> = rows.iter().map(|r| r[0]).collect();
    let (seasons, trend) = mstl(&y, &[Stl::new(24, 11), Stl::new(168, 15)]).unwrap();
    for (i, row) in rows.iter().enumerate() {
        let ours = [trend[i], seasons[0][i], seasons[1][i]];
        for (a, b) in ours.iter().zip(&row[1..4]) {
            assert!((a - b).abs() < 1e-9 * row[0], "hour {i}: {ours:?} against {row:?}");
        }
    }
    println!("compared {} hours with R's output", rows.len());
}
